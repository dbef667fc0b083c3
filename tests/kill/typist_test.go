package kill

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"testing"
	"time"

	"leadsman/chart"
	"leadsman/store"
)

// typist is somebody at another screen: edits in the exam that is spoken, at sites of his choice, and typed calls in an exam of his own. As the pages do, he sends each until
// it is answered, under one id.
type typist struct {
	addr, spoken, typed string
	sent                map[string][]string // ids by exam, those that were answered
	margins             map[string]int      // site to the recession that was answered last, mm
	refused             []string
}

func (p *typist) send(ctx context.Context, exam, what, id, body string) bool {
	for ctx.Err() == nil {
		req, _ := http.NewRequest("POST", fmt.Sprintf("http://%s/api/exams/%s/%s", p.addr, exam, what), bytes.NewReader([]byte(body)))
		req.Header.Set("Content-Type", "application/json")
		res, err := http.DefaultClient.Do(req)
		if err == nil {
			b, rerr := io.ReadAll(res.Body)
			res.Body.Close()
			if rerr == nil && res.StatusCode == http.StatusOK {
				p.sent[exam] = append(p.sent[exam], id)
				return true
			}
			if rerr == nil && res.StatusCode < 500 {
				p.refused = append(p.refused, fmt.Sprintf("%s: %s %s", body, res.Status, b))
				return false
			}
		}
		time.Sleep(20 * time.Millisecond)
	}
	return false
}

// run types until ctx ends.
func (p *typist) run(ctx context.Context) {
	teeth := []int{11, 12, 13, 14, 15, 16, 17, 21, 22, 23, 24, 25, 26, 27, 31, 32, 33, 34, 35, 36, 37, 41, 42, 43, 44, 45, 46, 47}
	for i := 0; ctx.Err() == nil; i++ {
		tooth, mm := teeth[i%len(teeth)], 1+i/len(teeth)%5
		id := fmt.Sprintf("%s-edit-%d", p.spoken, i)
		body, _ := json.Marshal(map[string]any{"id": id, "command": map[string]any{"acts": []any{map[string]any{"verb": "set", "field": "recession", "number": mm, "ref": map[string]any{"tooth": tooth, "site": "B"}}}}})
		if p.send(ctx, p.spoken, "do", id, string(body)) {
			p.margins[fmt.Sprintf("%d.B", tooth)] = mm
		}
		id = fmt.Sprintf("%s-word-%d", p.typed, i)
		p.send(ctx, p.typed, "words", id, fmt.Sprintf(`{"id":%q,"text":%q}`, id, []string{"three two four", "disregard"}[i%2]))
		time.Sleep(50 * time.Millisecond)
	}
}

// check compares what was answered with the logs, and gives how many entries there were.
func (p *typist) check(t *testing.T, st *store.Store) (entries int) {
	t.Helper()
	for _, r := range p.refused {
		t.Errorf("refused: %s", r)
	}
	for exam, ids := range p.sent {
		calls, margins := map[string]int{}, map[string]int{}
		for e, err := range st.Log(exam).All(context.Background()) {
			if err != nil {
				t.Fatal(err)
			}
			if e.Kind == chart.KindCall {
				calls[e.ID]++
			}
			if e.Kind == chart.KindSet && e.Field == chart.FieldRecession && e.Value != nil {
				margins[chart.SiteRef{Tooth: e.Tooth, Site: *e.Site}.String()] = *e.Value / 2
			}
		}
		for _, id := range ids {
			if calls[id] != 1 {
				t.Errorf("%s was confirmed and is in the log %d times", id, calls[id])
			}
		}
		entries += len(ids)
		if exam != p.spoken {
			continue
		}
		for site, mm := range p.margins {
			if margins[site] != mm {
				t.Errorf("%s: recession %d mm was confirmed, %d is kept", site, mm, margins[site])
			}
		}
	}
	return entries
}
