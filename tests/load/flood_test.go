package load

import (
	"context"
	"encoding/binary"
	"fmt"
	"net"
	"net/url"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"leadsman/tests/program"
	"leadsman/tests/recordings"
)

// typed types values into an exam and gives how long they took, the longest last.
func (c *crowd) typed(t *testing.T, ctx context.Context, exam string, n int) (took []time.Duration) {
	t.Helper()
	for i := range n {
		began := time.Now()
		var did struct{ Did string }
		if err := c.post(ctx, "api/exams/"+exam+"/words", map[string]any{"text": []string{"three two four", "disregard"}[i%2], "id": fmt.Sprint(exam, "-", time.Now().UnixNano())}, &did); err != nil || did.Did == "" {
			t.Fatal(err, did)
		}
		took = append(took, time.Since(began))
		time.Sleep(50 * time.Millisecond)
	}
	slices.Sort(took)
	return took
}

// flood sends the recording as fast as the connection takes it, again and again.
func (c *crowd) flood(ctx context.Context, exam string, sent *atomic.Int64) (why string, err error) {
	ws, _, err := websocket.DefaultDialer.DialContext(ctx, "ws"+strings.TrimPrefix(c.base, "http")+"api/exams/"+exam+"/sound?protocol=2&rate=16000&owner=flood-"+exam, nil)
	if err != nil {
		return "", err
	}
	defer ws.Close()
	var m struct{ Error *struct{ Code string } }
	if err := ws.ReadJSON(&m); err != nil {
		return "", err
	} else if m.Error != nil {
		return m.Error.Code, nil
	}
	go func() {
		for {
			if _, _, err := ws.ReadMessage(); err != nil {
				return
			}
		}
	}()
	stop := context.AfterFunc(ctx, func() { ws.Close() })
	defer stop()
	for at := 0; ctx.Err() == nil; at += recordings.Rate {
		from := at % (len(c.rec.PCM) - recordings.Rate)
		b := binary.LittleEndian.AppendUint64(nil, uint64(at))
		if err := ws.WriteMessage(websocket.BinaryMessage, append(b, c.sound[2*from:2*(from+recordings.Rate)]...)); err != nil {
			return "", nil
		}
		sent.Add(1)
	}
	return "", nil
}

// 60 microphones that send as fast as they can, with the real ear, beside 1,000 connections on which nothing is asked: a typed value stays quick. A measurement: LEADSMAN_MEASURE=1.
func TestFlood(t *testing.T) {
	program.Measurement(t, "make faults")
	ctx, cancel := context.WithCancel(context.Background())
	c, s, metrics := open(t, ctx, "--connections-per-client", "2000")
	var wg sync.WaitGroup
	defer wg.Wait()
	defer cancel()
	var made struct{ ID string }
	for _, id := range []string{"typed", "typed-2"} {
		if err := c.post(ctx, "api/exams", map[string]any{"patient": c.patient, "id": id, "numbering": c.rec.Numbering}, &made); err != nil {
			t.Fatal(err)
		}
	}
	before := c.typed(t, ctx, "typed", 40)
	u, err := url.Parse(s.URL)
	if err != nil {
		t.Fatal(err)
	}
	for range 1000 {
		idle, err := net.Dial("tcp", u.Host)
		if err != nil {
			t.Fatal(err)
		}
		defer idle.Close()
	}
	var sent atomic.Int64
	var mu sync.Mutex
	refused := map[string]int{}
	for i := range 60 {
		id := fmt.Sprint("flood-", i)
		if err := c.post(ctx, "api/exams", map[string]any{"patient": c.patient, "id": id, "numbering": c.rec.Numbering}, &made); err != nil {
			t.Fatal(err)
		}
		wg.Go(func() {
			why, err := c.flood(ctx, id, &sent)
			mu.Lock()
			defer mu.Unlock()
			if err != nil && ctx.Err() == nil {
				why = err.Error()
			}
			if why != "" {
				refused[why]++
			}
		})
	}
	time.Sleep(5 * time.Second)
	during := c.typed(t, ctx, "typed-2", 100)
	f := figures(t, metrics)
	mu.Lock()
	defer mu.Unlock()
	t.Logf("typed value: median %d ms, 95th percentile %d ms, most %d ms before; %d, %d, %d ms beside 60 flooding microphones (refused: %v) and 1,000 connections; %d s of sound sent, heard in %.2f of its length, memory %d MB",
		before[20].Milliseconds(), before[38].Milliseconds(), before[39].Milliseconds(), during[50].Milliseconds(), during[95].Milliseconds(), during[99].Milliseconds(), refused, sent.Load(), f["leadsman_realtime_factor"], s.memory())
	if during[95] > tooLate {
		t.Errorf("a typed value takes %v (95th percentile), at most %v", during[95], tooLate)
	}
}
