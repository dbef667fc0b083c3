package e2e

import (
	"bufio"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"leadsman/tests/program"
)

// fox is a page of Firefox, driven by WebDriver BiDi (W3C working draft) over the browser's own websocket.
type fox struct {
	t       *testing.T
	ws      *websocket.Conn
	context string

	mu     sync.Mutex
	id     int
	answer map[int]chan foxReply
	faults []string
}

type foxReply struct {
	ID      int             `json:"id"`
	Type    string          `json:"type"`
	Error   string          `json:"error"`
	Message string          `json:"message"`
	Result  json.RawMessage `json:"result"`
	Method  string          `json:"method"`
	Params  struct {
		Level string `json:"level"`
		Text  string `json:"text"`
	} `json:"params"`
}

// room is a sound server of its own with a loudspeaker, and a microphone that hears what is played into it: Firefox, unlike Chromium, has no
// microphone that plays a file, and starts no Web Audio on a machine without sound.
type room struct {
	t      *testing.T
	server string // for the environment
}

func newRoom(t *testing.T) *room {
	t.Helper()
	dir := t.TempDir()
	r := &room{t, "PULSE_SERVER=unix:" + filepath.Join(dir, "sock")}
	cmd := exec.Command("pulseaudio", "-n", "--daemonize=no", "--use-pid-file=no", "--exit-idle-time=-1", "--disallow-exit",
		"-L", "module-native-protocol-unix socket="+filepath.Join(dir, "sock")+" auth-anonymous=1", "-L", "module-null-sink sink_name=ears", "-L", "module-null-sink sink_name=mouth")
	cmd.Env = append(os.Environ(), "HOME="+dir, "XDG_RUNTIME_DIR="+dir)
	if err := cmd.Start(); err != nil {
		t.Fatalf("no sound server: %v; make browser installs pulseaudio, or says how", err)
	}
	t.Cleanup(func() { cmd.Process.Kill(); cmd.Wait() })
	for end := time.Now().Add(20 * time.Second); r.run("pactl", "set-default-source", "mouth.monitor") != nil; time.Sleep(100 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("the sound server did not start within 20 s")
		}
	}
	if err := r.run("pactl", "set-default-sink", "ears"); err != nil {
		t.Fatal(err)
	}
	return r
}

func (r *room) run(name string, args ...string) error {
	cmd := exec.Command(name, args...)
	cmd.Env = append(os.Environ(), r.server)
	return cmd.Run()
}

// play has the microphone hear a WAV file, to its end.
func (r *room) play(file string) {
	r.t.Helper()
	if err := r.run("paplay", "--device=mouth", file); err != nil {
		r.t.Errorf("paplay: %v", err)
	}
}

// silence is a machine without sound.
var silence = &room{server: "PULSE_SERVER=unix:/nowhere"}

// startFirefox starts the distribution's Firefox without a window, in a room, and opens a page in it.
func startFirefox(t *testing.T, r *room) *fox {
	t.Helper()
	path, err := exec.LookPath("firefox-esr")
	if err != nil {
		path, err = exec.LookPath("firefox")
	}
	if err != nil {
		if os.Getenv("LEADSMAN_WITHOUT_FIREFOX") != "" {
			t.Skip("LEADSMAN_WITHOUT_FIREFOX is set, and there is no Firefox: its part of the main flow is not tested")
		}
		program.Lacks(t, "firefox-esr: make browser installs it, or says how; LEADSMAN_WITHOUT_FIREFOX=1 leaves this test out")
	}
	profile := t.TempDir()
	prefs := `user_pref("media.navigator.permission.disabled", true);
user_pref("datareporting.policy.dataSubmissionEnabled", false);
user_pref("app.update.disabledForTesting", true);
user_pref("network.captive-portal-service.enabled", false);
user_pref("network.connectivity-service.enabled", false);
user_pref("browser.shell.checkDefaultBrowser", false);
user_pref("intl.accept_languages", "en-GB");
`
	if err := os.WriteFile(filepath.Join(profile, "user.js"), []byte(prefs), 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(path, "--headless", "--no-remote", "--profile", profile, "--width", "1280", "--height", "720", "--remote-debugging-port", "0", "about:blank")
	cmd.Env = append(os.Environ(), "MOZ_CRASHREPORTER_DISABLE=1", "HOME="+profile, r.server)
	out, err := cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cmd.Process.Kill(); cmd.Wait() })
	at := make(chan string, 1)
	go func() {
		sc := bufio.NewScanner(out)
		for sc.Scan() {
			if _, url, ok := strings.Cut(sc.Text(), "WebDriver BiDi listening on "); ok {
				at <- strings.TrimSpace(url)
			}
		}
		_, _ = io.Copy(io.Discard, out)
		close(at)
	}()
	f := &fox{t: t, answer: map[int]chan foxReply{}}
	select {
	case url := <-at:
		if f.ws, _, err = websocket.DefaultDialer.Dial(url+"/session", nil); err != nil {
			t.Fatalf("firefox at %q: %v", url, err)
		}
	case <-time.After(60 * time.Second):
		t.Fatal("firefox did not start within a minute")
	}
	f.begin()
	return f
}

// begin takes up a session, and its one page.
func (f *fox) begin() {
	f.t.Helper()
	f.t.Cleanup(func() { f.ws.Close() })
	go f.listen()
	f.do("session.new", map[string]any{"capabilities": map[string]any{}}, nil)
	f.do("session.subscribe", map[string]any{"events": []string{"log.entryAdded"}}, nil)
	var tree struct {
		Contexts []struct {
			Context string `json:"context"`
		} `json:"contexts"`
	}
	f.do("browsingContext.getTree", map[string]any{}, &tree)
	f.context = tree.Contexts[0].Context
	f.do("browsingContext.setViewport", map[string]any{"context": f.context, "viewport": map[string]int{"width": 1280, "height": 720}}, nil)
	f.t.Cleanup(func() {
		f.mu.Lock()
		defer f.mu.Unlock()
		for _, fault := range f.faults {
			f.t.Errorf("the page reports: %s", fault)
		}
	})
}

func (f *fox) listen() {
	for {
		var r foxReply
		if err := f.ws.ReadJSON(&r); err != nil {
			return
		}
		f.mu.Lock()
		if c := f.answer[r.ID]; r.ID > 0 && c != nil {
			c <- r
		} else if r.Method == "log.entryAdded" && r.Params.Level == "error" {
			f.faults = append(f.faults, r.Params.Text)
		}
		f.mu.Unlock()
	}
}

// do sends a command and waits for its result.
func (f *fox) do(method string, params, result any) {
	f.t.Helper()
	f.mu.Lock()
	f.id++
	id, c := f.id, make(chan foxReply, 1)
	f.answer[id] = c
	err := f.ws.WriteJSON(map[string]any{"id": id, "method": method, "params": params})
	f.mu.Unlock()
	if err != nil {
		f.t.Fatalf("%s: %v", method, err)
	}
	select {
	case r := <-c:
		if r.Type == "error" {
			f.t.Fatalf("%s: %s: %s", method, r.Error, r.Message)
		}
		if result != nil {
			if err := json.Unmarshal(r.Result, result); err != nil {
				f.t.Fatal(err)
			}
		}
	case <-time.After(90 * time.Second):
		f.t.Fatalf("%s: no answer", method)
	}
}

func (f *fox) goTo(url string) {
	f.t.Helper()
	f.do("browsingContext.navigate", map[string]any{"context": f.context, "url": url, "wait": "complete"}, nil)
	f.until("the screen is shown", `document.querySelector("main > *")`)
}

// eval gives what an expression is in the page, as text.
func (f *fox) eval(js string) string {
	f.t.Helper()
	var r struct {
		Type   string `json:"type"`
		Result struct {
			Value any `json:"value"`
		} `json:"result"`
		Exception struct {
			Text string `json:"text"`
		} `json:"exceptionDetails"`
	}
	f.do("script.evaluate", map[string]any{"expression": "(async () => String(await (" + js + ")))()", "awaitPromise": true, "target": map[string]string{"context": f.context}, "userActivation": true}, &r)
	if r.Type != "success" {
		f.t.Fatalf("%s: %s", js, r.Exception.Text)
	}
	return fmt.Sprint(r.Result.Value)
}

func (f *fox) until(what, js string) {
	f.t.Helper()
	end := time.Now().Add(45 * time.Second)
	for f.eval("(() => { try { return !!("+js+"); } catch { return false; } })()") != "true" {
		if time.Now().After(end) {
			f.t.Fatalf("waited in vain until %s (%s)\nthe page shows:\n%.1500s", what, js, f.eval("document.body.innerText"))
		}
		time.Sleep(50 * time.Millisecond)
	}
}

// click presses the first button, link, label or fold that begins with a text.
func (f *fox) click(text string) {
	f.t.Helper()
	f.press(fmt.Sprintf(`[...document.querySelectorAll("main button, main a, main summary, main label, header a, header button, dialog[open] button, form button")].find((b) => b.checkVisibility() && b.textContent.trim().startsWith(%q))`, text))
}

// press clicks the middle of an element with the mouse.
func (f *fox) press(el string) {
	f.t.Helper()
	f.pointer(el, map[string]any{"type": "pointerDown", "button": 0}, map[string]any{"type": "pointerUp", "button": 0})
}

// corrects points at an element, and presses Alt and a key.
func (f *fox) corrects(el, key string) {
	f.t.Helper()
	const alt = "\ue00a" // WebDriver, keyboard actions
	f.pointer(el)
	f.until("the pointer is there", el+`.matches(":hover")`)
	var acts []any
	for _, a := range [][2]string{{"keyDown", alt}, {"keyDown", key}, {"keyUp", key}, {"keyUp", alt}} {
		acts = append(acts, map[string]any{"type": a[0], "value": a[1]})
	}
	f.do("input.performActions", map[string]any{"context": f.context, "actions": []any{map[string]any{"type": "key", "id": "keyboard", "actions": acts}}}, nil)
}

// pointer moves the pointer to the middle of an element, and does what is to be done there.
func (f *fox) pointer(el string, then ...any) {
	f.t.Helper()
	f.until("it can be pointed at", el)
	var at struct{ X, Y float64 }
	where := f.eval(`(() => { const e = ` + el + `; e.scrollIntoView({block: "center"}); const r = e.getBoundingClientRect(); return JSON.stringify({x: r.x + r.width / 2, y: r.y + r.height / 2}); })()`)
	if err := json.Unmarshal([]byte(where), &at); err != nil {
		f.t.Fatal(err)
	}
	acts := append([]any{map[string]any{"type": "pointerMove", "x": int(at.X), "y": int(at.Y)}}, then...)
	f.do("input.performActions", map[string]any{"context": f.context, "actions": []any{map[string]any{"type": "pointer", "id": "mouse", "actions": acts}}}, nil)
}

// keys types with the keyboard; \r is Enter, \t Tab, \ue00c Escape.
func (f *fox) keys(text string) {
	f.t.Helper()
	var acts []any
	for _, r := range strings.NewReplacer("\r", "\ue007", "\t", "\ue004").Replace(text) {
		acts = append(acts, map[string]any{"type": "keyDown", "value": string(r)}, map[string]any{"type": "keyUp", "value": string(r)})
	}
	f.do("input.performActions", map[string]any{"context": f.context, "actions": []any{map[string]any{"type": "key", "id": "keyboard", "actions": acts}}}, nil)
}

// shot writes a picture of the page if LEADSMAN_SHOTS names a folder.
func (f *fox) shot(name string) {
	f.t.Helper()
	if dir := os.Getenv("LEADSMAN_SHOTS"); dir != "" {
		f.write("browsingContext.captureScreenshot", filepath.Join(dir, name+".png"))
	}
}

// write keeps what a command gives as a file, and gives its bytes.
func (f *fox) write(method, file string) []byte {
	f.t.Helper()
	var r struct{ Data string }
	f.do(method, map[string]any{"context": f.context}, &r)
	b, err := base64.StdEncoding.DecodeString(r.Data)
	if err == nil && file != "" {
		err = os.WriteFile(file, b, 0o644)
	}
	if err != nil {
		f.t.Fatal(err)
	}
	return b
}
