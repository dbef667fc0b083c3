package web_test

import (
	"context"
	"fmt"
	"net/http/httptest"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"leadsman/chart"
	"leadsman/exam"
	"leadsman/speech"
	"leadsman/speech/scripted"
	"leadsman/web"
)

// counted is an engine that counts its recognizers.
type counted struct {
	*scripted.Engine
	made, open atomic.Int64
}

func (c *counted) NewRecognizer() (speech.Recognizer, error) {
	r, err := c.Engine.NewRecognizer()
	c.made.Add(1)
	c.open.Add(1)
	return &countedRecognizer{r, c}, err
}

type countedRecognizer struct {
	speech.Recognizer
	of *counted
}

func (r *countedRecognizer) Close() error {
	r.of.open.Add(-1)
	return r.Recognizer.Close()
}

// trying is a service in which microphones are tried; exams are those it began for that.
type trying struct {
	*service
	engine *counted
	exams  chan *exam.Exam
}

func startTrying(t *testing.T, patience time.Duration) *trying {
	tr := &trying{engine: &counted{Engine: scripted.New(scripted.Utterance{StartMS: 100, EndMS: 400, Text: "three two four"})}, exams: make(chan *exam.Exam, 99)}
	srv := httptest.NewServer(web.New(web.Options{People: solo{}, Patience: patience, Trial: func(ctx context.Context) (*exam.Exam, error) {
		log := &exam.Memory{}
		if err := exam.Start(ctx, log, chart.FDI, "", nil, nil, 1, ""); err != nil {
			return nil, err
		}
		e, err := exam.Open(ctx, exam.Config{ID: "trial", Log: log, Engine: tr.engine, Now: func() int64 { return 2 }})
		tr.exams <- e
		return e, err
	}}))
	t.Cleanup(func() { srv.CloseClientConnections(); srv.Close() })
	tr.service = &service{Server: srv, t: t}
	return tr
}

func (tr *trying) dialTrial(owner string) *websocket.Conn {
	tr.t.Helper()
	c, _, err := websocket.DefaultDialer.Dial("ws"+strings.TrimPrefix(tr.URL, "http")+"/api/trial/sound?protocol=2&rate=16000&owner="+owner, nil)
	if err != nil {
		tr.t.Fatal(err)
	}
	tr.t.Cleanup(func() { c.Close() })
	return c
}

// left waits until nothing of the trials is left: no recognizer open and every exam ended. It gives how many there were.
func (tr *trying) left() (exams int) {
	tr.t.Helper()
	end := time.Now().Add(10 * time.Second)
	for tr.engine.open.Load() > 0 && time.Now().Before(end) {
		time.Sleep(2 * time.Millisecond)
	}
	if n := tr.engine.open.Load(); n != 0 {
		tr.t.Errorf("%d recognizers are still open", n)
	}
	for ; ; exams++ {
		select {
		case e := <-tr.exams:
			select {
			case <-e.Done():
			case <-time.After(time.Until(end)):
				tr.t.Errorf("exam %d has not ended", exams+1)
			}
		default:
			return exams
		}
	}
}

// A page that is there no more, and whose connection nobody closed, is waited for and then given up.
func TestTrialHalfDead(t *testing.T) {
	tr := startTrying(t, 50*time.Millisecond)
	for i := range 3 {
		c := tr.dialTrial(fmt.Sprint("owner", i))
		tr.expect(c, 0)
		tr.send(c, websocket.BinaryMessage, sound(0, 1, 2, 3))
		tr.expect(c, 3)
	}
	if n := tr.left(); n != 3 {
		t.Errorf("%d exams", n)
	}
}

// Its owner comes back while the old connection has not been noticed to be dead, or after it broke: the trial goes on where it was.
func TestTrialOwnerComesBack(t *testing.T) {
	tr := startTrying(t, time.Hour)
	c := tr.dialTrial("a")
	tr.expect(c, 0)
	tr.send(c, websocket.BinaryMessage, sound(0, 1, 2, 3))
	tr.expect(c, 3)
	for next := int64(3); next < 6; next++ {
		c = tr.dialTrial("a")
		tr.expect(c, next)
		tr.send(c, websocket.BinaryMessage, sound(uint64(next), 1))
		tr.expect(c, next+1)
		if next == 4 {
			c.NetConn().Close()
		}
	}
	if n := tr.engine.open.Load(); n != 1 || tr.engine.made.Load() != 1 {
		t.Errorf("%d recognizers open, %d made", n, tr.engine.made.Load())
	}
	tr.send(c, websocket.TextMessage, []byte(`{"end":true}`))
	if n := tr.left(); n != 1 {
		t.Errorf("%d exams", n)
	}
	// Ended is ended: the same owner begins anew.
	c = tr.dialTrial("a")
	tr.expect(c, 0)
	tr.send(c, websocket.TextMessage, []byte(`{"end":true}`))
	if n := tr.left(); n != 1 {
		t.Errorf("%d exams after it", n)
	}
}

// A page that is closed or left says so: nothing waits for it.
func TestTrialPageGone(t *testing.T) {
	for _, code := range []int{websocket.CloseGoingAway, websocket.CloseNormalClosure} {
		tr := startTrying(t, time.Hour)
		c := tr.dialTrial("a")
		tr.expect(c, 0)
		if err := c.WriteControl(websocket.CloseMessage, websocket.FormatCloseMessage(code, ""), time.Now().Add(time.Second)); err != nil {
			t.Fatal(err)
		}
		if n := tr.left(); n != 1 {
			t.Errorf("%d exams", n)
		}
	}
}

// The same owner on many connections at once, as after a broken network: one trial is left, and it ends with the last of them.
func TestTrialOwnerTwiceAtOnce(t *testing.T) {
	tr := startTrying(t, 200*time.Millisecond)
	var all sync.WaitGroup
	for range 10 {
		all.Go(func() {
			c, _, err := websocket.DefaultDialer.Dial("ws"+strings.TrimPrefix(tr.URL, "http")+"/api/trial/sound?protocol=2&rate=16000&owner=a", nil)
			if err != nil {
				t.Error(err)
				return
			}
			_, _, _ = c.ReadMessage() // its turn, or cut by the next one
			c.NetConn().Close()
		})
	}
	all.Wait()
	if n := tr.left(); n == 0 {
		t.Error("nothing was tried")
	}
}
