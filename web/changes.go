package web

import (
	"encoding/json"
	"fmt"
	"net/http"
	"strconv"
	"time"

	"leadsman/exam"
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
	seen, err := lastSeen(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	h := w.Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("Cache-Control", "no-store")
	h.Set("X-Accel-Buffering", "no")
	changes, stop := e.Subscribe(seen)
	defer stop()
	beat := time.NewTicker(s.Beat)
	defer beat.Stop()
	for text := "retry: 400\nevent: hello\ndata: {\"build\":\"" + s.static.hash + "\"}\n\n"; sent(w, text); {
		select {
		case <-r.Context().Done():
			return
		case <-seatOf(r).Ended:
			return
		case <-beat.C:
			text = "event: beat\ndata: {}\n\n"
		case c, ok := <-changes:
			if !ok {
				return // the page connects again and resumes from its last number
			}
			if text, err = event(&c); err != nil {
				s.log.Error("change cannot be written", "exam", r.PathValue("id"), "seq", c.Seq, "error", err)
				return
			}
		}
	}
}

// lastSeen is the number of the last change that a page has.
func lastSeen(r *http.Request) (uint64, error) {
	from := r.URL.Query().Get("from")
	if last := r.Header.Get("Last-Event-ID"); last != "" {
		from = last
	}
	if from == "" {
		return 0, nil
	}
	n, err := strconv.ParseUint(from, 10, 64)
	if err != nil {
		return 0, &inputError{http.StatusBadRequest, "number", "from must be the number of the last change that was seen"}
	}
	return n, nil
}

// sent writes to a page at once. A page that takes nothing for ten seconds is gone.
func sent(w http.ResponseWriter, text string) bool {
	out := http.NewResponseController(w)
	_ = out.SetWriteDeadline(time.Now().Add(10 * time.Second)) // not every writer knows deadlines
	if _, err := fmt.Fprint(w, text); err != nil {
		return false
	}
	return out.Flush() == nil
}

// event writes a change as an event.
func event(c *exam.Change) (string, error) {
	b, err := json.Marshal(c)
	switch {
	case err != nil:
		return "", err
	case c.Seq != c.From || c.Head != nil:
		return fmt.Sprintf("id: %d\nevent: change\ndata: %s\n\n", c.Seq, b), nil
	case c.Answer != nil:
		// Nothing was logged (not understood), but the page has to sound its answer.
		return fmt.Sprintf("event: change\ndata: %s\n\n", b), nil
	}
	return fmt.Sprintf("event: tentative\ndata: %s\n\n", b), nil
}
