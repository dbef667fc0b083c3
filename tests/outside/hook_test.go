package outside

import (
	"encoding/json"
	"io"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"

	webhooks "github.com/standard-webhooks/standard-webhooks/libraries/go"

	"leadsman/tests/program"
)

// served runs the service on a data folder.
func served(t *testing.T, data string) *program.Running {
	t.Helper()
	return program.Run(t, "serve", "--engine", "none", "--addr", "127.0.0.1:0", "--data", data)
}

// post asks the service for something and reads its answer.
func post(t *testing.T, url, body string, into any) {
	t.Helper()
	r, err := client.Post(url, "application/json", strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	b, err := io.ReadAll(r.Body)
	if err == nil && into != nil {
		err = json.Unmarshal(b, into)
	}
	if err != nil || r.StatusCode != http.StatusOK {
		t.Fatalf("%s: %s %s %v", url, r.Status, b, err)
	}
}

// The practice's system is told that an exam was signed, at least once and provably by this service, although the system was down when it
// was signed and the service was killed twice: before the notice was sent, and while it was being taken.
func TestHookSurvivesKills(t *testing.T) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	at := ln.Addr().String()
	ln.Close() // nobody is there yet
	data := t.TempDir()
	service := served(t, data)
	url := service.URL
	var hook struct{ ID, Secret string }
	var one struct{ ID string }
	post(t, url+"api/people", `{"name":"Ada Quill","roles":["clinician","administrator"],"retired":false}`, nil)
	post(t, url+"api/hooks", `{"url":"http://`+at+`/in","events":["exam.signed"],"details":false}`, &hook)
	post(t, url+"api/patients", `{"name":"Harriet Sallow"}`, &one)
	post(t, url+"api/exams", `{"patient":"`+one.ID+`","earlier":"","numbering":"fdi","path":"arch","id":"told"}`, nil)
	post(t, url+"api/exams/told/words", `{"text":"three two four","id":"a"}`, nil)
	post(t, url+"api/exams/told/do", `{"id":"b","command":{"acts":[{"verb":"sign"}]}}`, nil)
	_ = service.Kill()

	type notice struct {
		head http.Header
		body []byte
	}
	came, goOn := make(chan notice, 10), make(chan struct{})
	if ln, err = net.Listen("tcp", at); err != nil {
		t.Fatal(err)
	}
	srv := &http.Server{Handler: http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		b, _ := io.ReadAll(r.Body)
		came <- notice{r.Header, b}
		<-goOn // the service waits for its receipt
	})}
	go srv.Serve(ln)
	defer srv.Close()
	receive := func() notice {
		t.Helper()
		select {
		case l := <-came:
			return l
		case <-time.After(60 * time.Second):
			t.Fatal("no notice came")
			return notice{}
		}
	}
	service = served(t, data)
	first := receive()
	_ = service.Kill() // the receiver has it, the service does not know
	url = served(t, data).URL
	again := receive()
	close(goOn)

	ref, err := webhooks.NewWebhook(hook.Secret)
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range []notice{first, again} {
		if err := ref.Verify(l.body, l.head); err != nil {
			t.Errorf("%v %v", err, l.head)
		}
		var b struct {
			Type string
			Data map[string]any
		}
		if err := json.Unmarshal(l.body, &b); err != nil || b.Type != "exam.signed" || b.Data["exam"] != "told" || b.Data["patient"] != one.ID || strings.Contains(string(l.body), "Sallow") {
			t.Errorf("%s %v", l.body, err)
		}
	}
	if first.head.Get("webhook-id") != again.head.Get("webhook-id") {
		t.Errorf("the same notice came as %s and %s", first.head.Get("webhook-id"), again.head.Get("webhook-id"))
	}
	// Once it has its receipt it is sent no more.
	for end := time.Now().Add(20 * time.Second); ; time.Sleep(50 * time.Millisecond) {
		var ls []struct{ Event, Sent string }
		if err := json.Unmarshal(fetch(t, url+"api/hooks/"+hook.ID+"/letters"), &ls); err != nil || len(ls) != 1 {
			t.Fatalf("%+v %v", ls, err)
		}
		if ls[0].Sent != "" {
			break
		}
		if time.Now().After(end) {
			t.Fatal("the receipt was not noted")
		}
	}
	select {
	case l := <-came:
		t.Errorf("it came once more: %v", l.head)
	case <-time.After(5 * time.Second):
	}
}
