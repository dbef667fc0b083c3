package web_test

import (
	"context"
	"fmt"
	"strings"
	"testing"

	"github.com/gorilla/websocket"

	"leadsman/chart"
	"leadsman/exam"
	"leadsman/speech/scripted"
	"leadsman/web"
)

// addresses that take a body.
var doors = []struct{ method, path string }{
	{"POST", "/api/exams/x1/words"}, {"POST", "/api/exams/x1/do"}, {"POST", "/api/patients"}, {"PUT", "/api/patients/p1"}, {"POST", "/api/exams"}, {"GET", "/api/exams/x1/history"},
}

// Whatever is sent to an address, the answer is no fault of the tool, and is JSON.
func FuzzRequests(f *testing.F) {
	f.Add(uint8(0), "", `{"text":"three two four","id":"a"}`)
	f.Add(uint8(1), "", `{"id":"a","command":{"acts":[{"verb":"set","field":"depth","value":8,"ref":{"tooth":16,"site":"MB"}}]},"seq":1}`)
	f.Add(uint8(1), "", `{"id":"b","command":{"acts":[{"verb":"sign"},{"verb":"undo"},{"verb":"move","place":"16/buccal"}]}}`)
	f.Add(uint8(2), "", `{"name":"A","born":"1971-02-28"}`)
	f.Add(uint8(4), "", `{"patient":"p1","id":"n","numbering":"fdi","path":"x: buccal 18-28"}`)
	f.Add(uint8(5), "tooth=16&site=MB", "")
	s := start(f, func(o *web.Options) { o.Limits = web.Limits{Requests: -1, Microphones: -1, Connections: -1} })
	f.Fuzz(func(t *testing.T, door uint8, query, body string) {
		d := doors[int(door)%len(doors)]
		path := d.path
		if query = strings.Map(printable, query); query != "" {
			path += "?" + query
		}
		one := *s
		one.t = t
		status, answer := one.ask(d.method, path, body)
		if status >= 500 && status != 501 && status != 503 {
			t.Fatalf("%s %s %q: %d %s", d.method, path, body, status, answer)
		}
	})
}

func printable(r rune) rune {
	if r <= ' ' || r > '~' || r == '#' {
		return -1
	}
	return r
}

// Whatever comes over the connection of a microphone, each frame is answered, or the connection is closed with a code; the service goes on.
func FuzzSound(f *testing.F) {
	f.Add(true, []byte("\x00\x00\x00\x00\x00\x00\x00\x00\x01\x00"))
	f.Add(true, []byte("\xff\xff\xff\xff\xff\xff\xff\xff\x01\x00"))
	f.Add(false, []byte(`{"speaks":{"from":0,"text":"three"}}`))
	f.Add(false, []byte(`{"spoke":[3,9]}`))
	f.Add(false, []byte(`{"end":true}`))
	ctx, log := context.Background(), &exam.Memory{}
	err := exam.Start(ctx, log, chart.FDI, "", nil, nil, 1, "")
	if err != nil {
		f.Fatal(err)
	}
	e, err := exam.Open(ctx, exam.Config{ID: "x1", Log: log, Now: func() int64 { return 2 }, Engine: scripted.New()})
	if err != nil {
		f.Fatal(err)
	}
	f.Cleanup(func() { e.Close() })
	s := start(f, func(o *web.Options) {
		o.Exams = &fakePractice{exam: web.Running(e)}
		o.Limits = web.Limits{Requests: -1, Microphones: -1, Connections: -1}
	})
	owner := 0
	f.Fuzz(func(t *testing.T, binary bool, frame []byte) {
		owner++
		c, _, err := websocket.DefaultDialer.Dial("ws"+strings.TrimPrefix(s.URL, "http")+"/api/exams/x1/sound?takeover=1&owner="+fmt.Sprint(owner)+"&protocol=2&rate=16000", nil)
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		if _, _, err := c.ReadMessage(); err != nil { // where the sound goes on
			t.Fatal(err)
		}
		kind := websocket.TextMessage
		if binary {
			kind = websocket.BinaryMessage
		}
		if err := c.WriteMessage(kind, frame); err != nil {
			t.Fatal(err)
		}
		if err := c.WriteMessage(websocket.TextMessage, []byte("?")); err == nil { // an answer in any case
			if _, _, err := c.ReadMessage(); err != nil && !websocket.IsCloseError(err, 1000, 1007, 1009) {
				t.Fatalf("%v after %q", err, frame)
			}
		}
	})
}
