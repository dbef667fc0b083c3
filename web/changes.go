package web

import (
	"encoding/json"
	"fmt"
	"net/http"
	"strconv"
	"time"
)

// changes sends an exam's changes as server-sent events. Confirmed ones are named "change" and
// numbered by the view's Seq; tentative ones (what is being heard) are named "tentative" and have
// no number, so that a page resumes after the last confirmed one.
func (s *server) changes(w http.ResponseWriter, r *http.Request) {
	e, err := s.running(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	from := r.URL.Query().Get("from")
	if last := r.Header.Get("Last-Event-ID"); last != "" {
		from = last
	}
	n := uint64(0)
	if from != "" {
		if n, err = strconv.ParseUint(from, 10, 64); err != nil {
			s.fail(w, r, &inputError{http.StatusBadRequest, "number", "from must be the number of the last change that was seen"})
			return
		}
	}
	out := http.NewResponseController(w)
	h := w.Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("Cache-Control", "no-store")
	h.Set("X-Accel-Buffering", "no")
	send := func(text string) bool {
		// A page that takes nothing for ten seconds is gone; not every writer knows deadlines.
		_ = out.SetWriteDeadline(time.Now().Add(10 * time.Second))
		if _, err := fmt.Fprint(w, text); err != nil {
			return false
		}
		return out.Flush() == nil
	}
	changes, stop := e.Subscribe(n)
	defer stop()
	if !send("retry: 400\nevent: hello\ndata: {\"build\":\"" + s.static.hash + "\"}\n\n") {
		return
	}
	beat := time.NewTicker(s.Beat)
	defer beat.Stop()
	for {
		select {
		case <-r.Context().Done():
			return
		case <-seatOf(r).Ended:
			return
		case <-beat.C:
			if !send("event: beat\ndata: {}\n\n") {
				return
			}
		case c, ok := <-changes:
			if !ok {
				return // the page connects again and resumes from its last number
			}
			b, err := json.Marshal(c)
			if err != nil {
				s.log.Error("change cannot be written", "exam", r.PathValue("id"), "seq", c.Seq, "error", err)
				return
			}
			text := fmt.Sprintf("event: tentative\ndata: %s\n\n", b)
			if c.Seq != c.From || c.Head != nil {
				text = fmt.Sprintf("id: %d\nevent: change\ndata: %s\n\n", c.Seq, b)
			} else if c.Answer != nil {
				// Nothing was logged (not understood), but the page has to sound its answer.
				text = fmt.Sprintf("event: change\ndata: %s\n\n", b)
			}
			if !send(text) {
				return
			}
		}
	}
}
