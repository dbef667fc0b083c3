package e2e

import (
	"encoding/json"
	"fmt"
	"slices"
	"testing"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/performance"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"leadsman/chart"
)

// fullCalls fill every site of the path, with flags and margins.
func fullCalls() (calls []string) {
	for i := range 56 {
		calls = append(calls, []string{"three two four", "two two three", "five three six", "three four three"}[i%4])
		if i%5 == 0 {
			calls = append(calls, "bleeding", "recession one")
		}
	}
	return calls
}

// From a key to the frame that shows its number, with every site of the mouth recorded: 50 ms or less in 95 of 100. The page takes both times:
// the key's own time stamp, and the first task after the frame is handed over. The best of three rounds counts, for others use the machine too.
func TestTypingIsQuick(t *testing.T) {
	w := newWorld(t, nil)
	w.begin("x1", chart.FDI, fullCalls()...)
	p := w.live(startBrowser(t), "Ada Quill", w.url)
	p.until("the mouth is full", session+`.view.recorded === 168`)
	eval[bool](p, `(() => {
		window.took = [];
		addEventListener("keydown", (e) => {
			if (!/^[1-9]$/.test(e.key)) return;
			const cell = document.activeElement.closest("td"); // the focus moves with the key, what is drawn with the frame
			requestAnimationFrame(() => {
				const c = new MessageChannel();
				c.port1.onmessage = () => window.took.push({ms: performance.now() - e.timeStamp, shown: cell?.querySelector(".num").innerText === e.key});
				c.port2.postMessage(0);
			});
		}, true);
		return true;
	})()`)
	if _, err := chromedp.Call(p.ctx, performance.Enable, performance.EnableParams{TimeDomain: performance.EnableTimeDomainThreadTicks}); err != nil {
		t.Fatal(err)
	}
	best, work := 1e9, 1e9
	for round := range 3 {
		eval[bool](p, `(window.took = [], true)`)
		before := p.worked()
		for i := range 44 {
			if i%22 == 0 { // rows that are walked to the right, as the arrow goes: no cell is typed at twice
				p.click(fmt.Sprintf(`ls-sheet td[data-key="%s"]`, []string{"17.DB", "47.DL"}[i/22]))
			}
			p.keys(fmt.Sprint(2 + (i+round)%4))
			p.keys(kb.ArrowRight)
		}
		p.until("all is entered", session+`.pending.length === 0 && window.took.length === 44`)
		var took []struct {
			MS    float64 `json:"ms"`
			Shown bool    `json:"shown"`
		}
		if err := json.Unmarshal([]byte(eval[string](p, `JSON.stringify(window.took)`)), &took); err != nil {
			t.Fatal(err)
		}
		var ms []float64
		for _, k := range took {
			if !k.Shown {
				t.Fatal("a frame was painted without the number")
			}
			ms = append(ms, k.MS)
		}
		slices.Sort(ms)
		t.Logf("from the key to its frame: median %.0f ms, 95 of 100 within %.0f ms", ms[len(ms)/2], ms[len(ms)*95/100])
		best, work = min(best, ms[len(ms)*95/100]), min(work, 1000*(p.worked()-before)/float64(len(ms)))
		p.keys(kb.Escape)
	}
	t.Logf("%.1f ms of the page's own thread for each number and the arrow behind it", work)
	// On a machine that others keep busy the time says nothing, and the work of the page's thread, two draws and two answers, has to do.
	if best > 50 && work > 50 {
		t.Errorf("95 of 100 keys are shown within %.0f ms, want 50; the page works %.0f ms for each, want 50", best, work)
	}
}

// worked is the time in s that the page's main thread has been at work.
func (p *page) worked() float64 {
	p.t.Helper()
	m, err := chromedp.Call(p.ctx, performance.GetMetrics, cdp.Empty{})
	if err != nil {
		p.t.Fatal(err)
	}
	for _, x := range m.Metrics {
		if x.Name == "TaskDuration" {
			return x.Value
		}
	}
	p.t.Fatal("the browser does not tell how long it worked")
	return 0
}

// The first view: all that is fetched for it is 300 KB or less, and it stands within a second (of the best of three: others use the machine too).
func TestFirstView(t *testing.T) {
	w := newWorld(t, nil)
	w.begin("x1", chart.FDI, fullCalls()...)
	b := startBrowser(t)
	for _, at := range []string{"/", "/exams/x1/live"} {
		best, bytes := 1e9, 0.0
		for range 3 {
			p := open(t, b, w.url+at) // a browser that has nothing kept
			p.until("it is drawn", `document.querySelector("ls-patients td, ls-sheet td[data-key]")`)
			p.until("the browser says when it was painted", `performance.getEntriesByName("first-contentful-paint").length`)
			bytes = eval[float64](p, `[...performance.getEntriesByType("navigation"), ...performance.getEntriesByType("resource")].reduce((n, r) => n + r.transferSize, 0)`)
			best = min(best, eval[float64](p, `performance.getEntriesByName("first-contentful-paint")[0].startTime`))
		}
		t.Logf("%s: %.0f KB, first painted after %.0f ms", at, bytes/1000, best)
		if bytes > 300_000 || bytes < 50_000 {
			t.Errorf("%s: %.0f bytes are fetched, want 300 KB at most", at, bytes)
		}
		if best > 1000 {
			t.Errorf("%s: painted after %.0f ms, want 1000", at, best)
		}
	}
}
