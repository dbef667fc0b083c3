// Package kill plays a spoken exam to the real service and ends it with SIGKILL at random moments: whatever
// was confirmed to a page must be there afterwards.
package kill

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"math/rand/v2"
	"net/http"
	"os/exec"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"leadsman/tests/program"
	"leadsman/tests/recordings"
)

const kills = 24

// service is a running leadsman.
type service struct {
	cmd *exec.Cmd
	url string
}

func start(t *testing.T, bin, data string) *service {
	t.Helper()
	s := &service{cmd: exec.Command(bin, "serve", "--addr", "127.0.0.1:0", "--data", data)}
	out, err := s.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	var errs bytes.Buffer
	s.cmd.Stderr = &errs
	if err := s.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	lines := bufio.NewScanner(out)
	for lines.Scan() {
		if _, rest, ok := strings.Cut(lines.Text(), "Leadsman is at "); ok {
			s.url, _, _ = strings.Cut(rest, " ")
			go io.Copy(io.Discard, out)
			return s
		}
	}
	t.Fatalf("the service did not start: %v\n%s", s.cmd.Wait(), errs.String())
	return nil
}

func (s *service) kill() {
	s.cmd.Process.Kill()
	s.cmd.Wait()
}

func (s *service) call(t *testing.T, method, path string, in, out any) {
	t.Helper()
	b, _ := json.Marshal(in)
	req, _ := http.NewRequest(method, s.url+path, bytes.NewReader(b))
	req.Header.Set("Content-Type", "application/json")
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	body, _ := io.ReadAll(res.Body)
	if res.StatusCode != http.StatusOK {
		t.Fatalf("%s %s: %s %s", method, path, res.Status, body)
	}
	if err := json.Unmarshal(body, out); err != nil {
		t.Fatalf("%s %s: %v in %s", method, path, err, body)
	}
}

// teeth is the part of a view and of a change that holds values.
type teeth map[string]struct {
	Sites map[string]struct {
		Depth *float64 `json:"depth"`
	} `json:"sites"`
}

func (ts teeth) depths() map[string]float64 {
	out := map[string]float64{}
	for tooth, t := range ts {
		for site, s := range t.Sites {
			if s.Depth != nil {
				out[tooth+"."+site] = *s.Depth
			}
		}
	}
	return out
}

type view struct {
	Seq   uint64 `json:"seq"`
	Teeth teeth  `json:"teeth"`
}

// page follows the changes of an exam and keeps what was confirmed to it.
type page struct {
	mu     sync.Mutex
	seq    uint64
	depths map[string]float64
}

func (p *page) follow(url string) {
	res, err := http.Get(url)
	if err != nil {
		return
	}
	defer res.Body.Close()
	lines := bufio.NewScanner(res.Body)
	lines.Buffer(nil, 1<<20)
	event := ""
	for lines.Scan() {
		line := lines.Text()
		if e, ok := strings.CutPrefix(line, "event: "); ok {
			event = e
		}
		data, ok := strings.CutPrefix(line, "data: ")
		if !ok || event != "change" {
			continue
		}
		var v view
		if json.Unmarshal([]byte(data), &v) != nil {
			return
		}
		p.mu.Lock()
		p.seq = v.Seq
		maps.Copy(p.depths, v.Teeth.depths())
		p.mu.Unlock()
	}
}

// wait returns once a value was confirmed, at the latest after half a minute.
func (p *page) wait() {
	for range 3000 {
		p.mu.Lock()
		n := len(p.depths)
		p.mu.Unlock()
		if n > 0 {
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
}

// speak sends sound from a position of the recording on, faster than it was spoken, until the connection breaks.
func speak(url string, pcm []int16, from int) (sent int) {
	c, _, err := websocket.DefaultDialer.Dial(strings.Replace(url, "http", "ws", 1), nil)
	if err != nil {
		return from
	}
	defer c.Close()
	go func() { // answers are not needed here, but have to be taken
		for {
			if _, _, err := c.ReadMessage(); err != nil {
				return
			}
		}
	}()
	const frame = 480
	for i := from; i+frame <= len(pcm); i += frame {
		b := binary.LittleEndian.AppendUint64(nil, uint64(i-from))
		for _, v := range pcm[i : i+frame] {
			b = binary.LittleEndian.AppendUint16(b, uint16(v))
		}
		if c.WriteMessage(websocket.BinaryMessage, b) != nil {
			return i
		}
		time.Sleep(time.Millisecond)
	}
	return len(pcm)
}

func TestKilledServiceLosesNothing(t *testing.T) {
	bin, data := program.Path(t), t.TempDir()
	rec, err := recordings.Load("fullmouth-joe")
	if err != nil {
		t.Fatal(err)
	}
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	rnd := rand.New(rand.NewPCG(seed, 0))
	s := start(t, bin, data)
	var patient, visit struct {
		ID string `json:"id"`
	}
	s.call(t, "POST", "api/patients", map[string]any{"name": "Nell Ashby"}, &patient)
	at, values := len(rec.PCM), 0
	confirmed := map[string]float64{}
	for round := range kills {
		if at >= len(rec.PCM) {
			// The recording is over: the next exam. Within one exam no site is called twice.
			s.call(t, "POST", "api/exams", map[string]any{"patient": patient.ID, "id": fmt.Sprint("killed-exam-", round), "numbering": "universal"}, &visit)
			at, values = 0, values+len(confirmed)
			clear(confirmed)
		}
		var before view
		s.call(t, "GET", "api/exams/"+visit.ID, nil, &before)
		p := &page{seq: before.Seq, depths: map[string]float64{}}
		done := make(chan int)
		go p.follow(fmt.Sprintf("%sapi/exams/%s/changes?from=%d", s.url, visit.ID, before.Seq))
		go func() {
			done <- speak(fmt.Sprintf("%sapi/exams/%s/sound?owner=r%d", s.url, visit.ID, round), rec.PCM, at)
		}()
		if round%2 == 1 {
			p.wait() // on a busy machine a kill by the clock alone would come before anything was heard
		}
		time.Sleep(time.Duration(50+rnd.IntN(500)) * time.Millisecond)
		s.kill()
		at = min(<-done, len(rec.PCM))
		p.mu.Lock()
		maps.Copy(confirmed, p.depths)
		seq := p.seq
		p.mu.Unlock()

		s = start(t, bin, data)
		var after view
		s.call(t, "GET", "api/exams/"+visit.ID, nil, &after)
		if after.Seq < seq {
			t.Errorf("kill %d: event %d was confirmed, the log ends at %d", round, seq, after.Seq)
		}
		have := after.Teeth.depths()
		for site, d := range confirmed {
			if have[site] != d {
				t.Errorf("kill %d: %s was confirmed as %v, is %v", round, site, d, have[site])
			}
		}
	}
	s.kill()
	values += len(confirmed)
	if values < 30 {
		t.Errorf("only %d values were confirmed in %d rounds: the test shows too little", values, kills)
	}
	if out, err := exec.Command(bin, "verify", "--data", data).CombinedOutput(); err != nil {
		t.Errorf("verify: %v\n%s", err, out)
	}
	t.Logf("%d kills, %d confirmed values, none lost", kills, values)
}
