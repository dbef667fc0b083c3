// Package kill plays a spoken exam to the real service and ends it, with SIGKILL and by the clean way, at random
// moments, while the page goes on listening: in the end every value stands in the chart once, at its own site.
package kill

import (
	"bufio"
	"bytes"
	"context"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"math/rand/v2"
	"net"
	"net/http"
	"os"
	"os/exec"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"leadsman/chart"
	"leadsman/store"
	"leadsman/tests/program"
	"leadsman/tests/recordings"
)

// service is the program, which comes back at the same address with the same data.
type service struct {
	*program.Running // since it was started last
	bin, addr, data  string
	verb             string   // listen: it is a worker
	more             []string // further arguments
}

func newService(t *testing.T) *service {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	return &service{bin: program.Path(t), addr: ln.Addr().String(), data: t.TempDir(), verb: "serve"}
}

// args are the arguments with which it is started.
func (s *service) args() []string {
	return append([]string{s.verb, "--addr", s.addr, "--data", s.data}, s.more...)
}

func (s *service) start(t *testing.T) {
	t.Helper()
	s.Running = program.Run(t, s.args()...)
}

// end ends the program: as a power cut does, or as Ctrl-C does.
func (s *service) end(t *testing.T, clean bool) {
	t.Helper()
	if !clean {
		_ = s.Kill()
	} else if err := s.Stop(); err != nil {
		t.Errorf("clean stop: %v\n%s", err, s.Log())
	}
}

func (s *service) call(t *testing.T, method, path string, in, out any) {
	t.Helper()
	b, _ := json.Marshal(in)
	req, _ := http.NewRequest(method, "http://"+s.addr+"/"+path, bytes.NewReader(b))
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

// page behaves as the browser's page does: it keeps the last 90 s of sound, goes on recording whatever becomes of
// the service, connects again and again, sends from what the service answers, and keeps what was confirmed to it.
type page struct {
	exam, owner string
	addrs       []string // of the nodes
	pcm         []int16
	speed       float64 // times real time

	mu     sync.Mutex
	at     int       // the node it talks to
	stood  time.Time // when a node last said where it stands
	spoken int       // samples recorded so far
	acked  int       // the service has all before
	lost   int       // samples that were older than the ring when they were asked for
	resent int       // samples sent more than once
	most   int       // samples sent
	seq    uint64
	depths map[string]float64 // confirmed
}

const (
	ring  = 90 * recordings.Rate
	ahead = 5 * recordings.Rate
	chunk = recordings.Rate

	deaf = 6 * time.Second // without an answer: as the pages have it
)

// record lets the time of the recording pass, until ctx ends. A machine that hears more slowly than is spoken here is waited for.
func (p *page) record(ctx context.Context) {
	const tick, behind = 5 * time.Millisecond, 45 * recordings.Rate
	for last := time.Now(); ctx.Err() == nil; time.Sleep(tick) {
		now := time.Now()
		p.mu.Lock()
		if n := int(now.Sub(last).Seconds() * p.speed * recordings.Rate); p.spoken-p.acked < behind {
			p.spoken = min(len(p.pcm), p.spoken+n)
		}
		p.mu.Unlock()
		last = now
	}
}

// head is how much was recorded so far.
func (p *page) head() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.spoken
}

// taken is how much the service says that it has.
func (p *page) taken() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.acked
}

// addr is the node that the page talks to.
func (p *page) addr() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.addrs[p.at]
}

// move goes on at a node, or at the next one for "".
func (p *page) move(from, to string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if i := slices.Index(p.addrs, strings.TrimPrefix(to, "http://")); i >= 0 {
		p.at = i
	} else if p.addrs[p.at] == from {
		p.at = (p.at + 1) % len(p.addrs)
	}
}

// run keeps the sound connected until ctx ends.
func (p *page) run(ctx context.Context) {
	wait := 50 * time.Millisecond
	for ctx.Err() == nil {
		if p.speak(ctx) {
			wait = 50 * time.Millisecond
		}
		time.Sleep(wait)
		wait = min(2*wait, time.Second)
	}
}

// speak sends until the connection breaks, and reports whether it stood.
func (p *page) speak(ctx context.Context) (stood bool) {
	addr := p.addr()
	dial := websocket.Dialer{HandshakeTimeout: 2 * time.Second}
	c, _, err := dial.DialContext(ctx, fmt.Sprintf("ws://%s/api/exams/%s/sound?owner=%s&protocol=2&rate=16000", addr, p.exam, p.owner), nil)
	if err != nil {
		p.move(addr, "")
		return false
	}
	defer c.Close()
	answers := make(chan int, 1000)
	go func() {
		defer close(answers)
		for {
			var m struct {
				Next  *int
				Node  string
				Error *struct{ Code string }
			}
			if c.ReadJSON(&m) != nil {
				return
			}
			if m.Error != nil && m.Error.Code == "stopping" {
				p.move(addr, "")
			}
			if m.Node != "" {
				p.move(addr, m.Node)
			}
			if m.Next != nil {
				answers <- *m.Next
			}
		}
	}()
	sent, ok := <-answers
	if !ok {
		return false
	}
	p.mu.Lock()
	p.stood = time.Now()
	p.mu.Unlock()
	if tail := p.head() - ring; sent < tail {
		p.mu.Lock()
		p.lost += tail - sent
		p.mu.Unlock()
		sent = tail
	}
	acked := sent
	tick := time.NewTicker(4 * time.Millisecond)
	defer tick.Stop()
	for heard := time.Now(); ; {
		select {
		case <-ctx.Done():
			return true
		case n, ok := <-answers:
			if !ok {
				return true
			}
			acked, heard = n, time.Now()
			p.mu.Lock()
			p.acked = n
			p.mu.Unlock()
		case <-tick.C:
			if sent == acked {
				heard = time.Now()
			} else if len(p.addrs) > 1 && time.Since(heard) > deaf {
				p.move(addr, "")
				return true
			}
		}
		for head := p.head(); sent < head && sent-acked < ahead; {
			to := min(head, sent+chunk)
			b := binary.LittleEndian.AppendUint64(nil, uint64(sent))
			for _, v := range p.pcm[sent:to] {
				b = binary.LittleEndian.AppendUint16(b, uint16(v))
			}
			if c.WriteMessage(websocket.BinaryMessage, b) != nil {
				return true
			}
			p.mu.Lock()
			p.resent += max(0, min(p.most, to)-sent)
			p.most = max(p.most, to)
			p.mu.Unlock()
			sent = to
		}
	}
}

// follow keeps what is confirmed, until ctx ends.
func (p *page) follow(ctx context.Context) {
	for ctx.Err() == nil {
		p.mu.Lock()
		from := p.seq
		p.mu.Unlock()
		req, _ := http.NewRequestWithContext(ctx, "GET", fmt.Sprintf("http://%s/api/exams/%s/changes?from=%d", p.addr(), p.exam, from), nil)
		res, err := http.DefaultClient.Do(req)
		if err != nil {
			time.Sleep(20 * time.Millisecond)
			continue
		}
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
				break
			}
			p.mu.Lock()
			p.seq = max(p.seq, v.Seq)
			maps.Copy(p.depths, v.Teeth.depths())
			p.mu.Unlock()
		}
		res.Body.Close()
	}
}

// confirmed is what the page was told.
func (p *page) confirmed() (uint64, map[string]float64) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.seq, maps.Clone(p.depths)
}

// reading is a depth at its site, as called.
type reading struct {
	site  string
	depth int // mm
}

// truth is what the recording says, in its order.
func truth(t *testing.T, rec recordings.Recording) []reading {
	t.Helper()
	var out []reading
	for _, c := range rec.Calls {
		for _, s := range c.Sets {
			site, value, ok := strings.Cut(s, ".depth=")
			n, err := strconv.Atoi(value)
			if !ok || err != nil {
				t.Fatalf("the recording has more than depths: %s", s)
			}
			out = append(out, reading{site, n})
		}
	}
	return out
}

// entered is what the log says, in its order.
func entered(t *testing.T, st *store.Store, exam string) []reading {
	t.Helper()
	var out []reading
	for e, err := range st.Log(exam).All(context.Background()) {
		if err != nil {
			t.Fatal(err)
		}
		if e.Kind == chart.KindSet && e.Field == chart.FieldDepth && e.Value != nil {
			out = append(out, reading{chart.SiteRef{Tooth: e.Tooth, Site: *e.Site}.String(), *e.Value / 2})
		}
	}
	return out
}

// compare counts the values of the truth that were not entered, those entered although nobody called them (again), and the
// sites that hold another value than was called for them, or none.
func compare(want, got []reading) (lost, doubled, shifted int) {
	// The longest common run of values, whatever the sites.
	common := make([][]int, len(want)+1)
	for i := range common {
		common[i] = make([]int, len(got)+1)
	}
	for i := range want {
		for j := range got {
			common[i+1][j+1] = max(common[i][j+1], common[i+1][j])
			if want[i].depth == got[j].depth {
				common[i+1][j+1] = max(common[i+1][j+1], common[i][j]+1)
			}
		}
	}
	n := common[len(want)][len(got)]
	have, called := map[string]int{}, map[string]int{}
	for _, r := range got {
		have[r.site] = r.depth
	}
	for _, r := range want {
		called[r.site] = r.depth
	}
	for site, d := range called {
		if v, ok := have[site]; !ok || v != d {
			shifted++
		}
	}
	for site := range have {
		if _, ok := called[site]; !ok {
			shifted++
		}
	}
	return len(want) - n, len(got) - n, shifted
}

// fullMouth is a recording of a full mouth and what is called in it. The microphone stays on for a moment after the last call.
func fullMouth(t *testing.T) (pcm []int16, want []reading) {
	t.Helper()
	rec, err := recordings.Load("fullmouth-joe")
	if err != nil {
		t.Fatal(err)
	}
	return append(rec.PCM, make([]int16, 2*recordings.Rate)...), truth(t, rec)
}

// newPatient has somebody work here and gives the id of a patient.
func (s *service) newPatient(t *testing.T) string {
	t.Helper()
	var made struct {
		ID string `json:"id"`
	}
	s.call(t, "POST", "api/people", map[string]any{"name": "Ada Quill", "roles": []string{"clinician"}}, &made)
	s.call(t, "POST", "api/patients", map[string]any{"name": "Nell Ashby"}, &made)
	return made.ID
}

// begin begins an exam.
func (s *service) begin(t *testing.T, patient, id, numbering string) {
	t.Helper()
	var visit struct {
		ID string `json:"id"`
	}
	s.call(t, "POST", "api/exams", map[string]any{"patient": patient, "id": id, "numbering": numbering}, &visit)
}

// verify checks the data as the command does, and gives what it says.
func (s *service) verify(t *testing.T, more ...string) string {
	t.Helper()
	out, err := exec.Command(s.bin, append([]string{"verify", "--data", s.data}, more...)...).CombinedOutput()
	if err != nil {
		t.Errorf("verify: %v\n%s", err, out)
	}
	return string(out)
}

// opened is the store of a service that has ended.
func (s *service) opened(t *testing.T, with ...store.Option) *store.Store {
	t.Helper()
	st, err := store.OpenReadOnly(context.Background(), s.data, with...)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { st.Close() })
	return st
}

// countedOnce checks that exams in which the same was called have each value once, and counts what is wrong.
func countedOnce(t *testing.T, st *store.Store, want []reading, exams ...string) (lost, doubled, shifted int) {
	t.Helper()
	for _, exam := range exams {
		got := entered(t, st, exam)
		l, d, sh := compare(want, got)
		lost, doubled, shifted = lost+l, doubled+d, shifted+sh
		if l+d+sh > 0 {
			t.Errorf("%s: of %d values %d lost, %d entered twice, %d sites wrong:\ngot  %v\nwant %v", exam, len(want), l, d, sh, got, want)
		}
	}
	return lost, doubled, shifted
}

// speaks opens a page at one of some addresses, which hears sound through its microphone, and does what else pages do, until stop is called.
func speaks(t *testing.T, addrs []string, exam string, pcm []int16, speed float64, more ...func(*page, context.Context)) (p *page, stop func()) {
	t.Helper()
	p = &page{addrs: addrs, exam: exam, owner: "mic-of-" + exam, pcm: pcm, speed: speed, depths: map[string]float64{}}
	ctx, cancel := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	for _, f := range append(more, (*page).record, (*page).run) {
		wg.Go(func() { f(p, ctx) })
	}
	stop = func() { cancel(); wg.Wait() }
	t.Cleanup(stop)
	return p, stop
}

// reach waits until so many samples are taken.
func (p *page) reach(t *testing.T, what string, samples int) {
	t.Helper()
	for end := time.Now().Add(3 * time.Minute); p.taken() < samples; time.Sleep(10 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("%s, %s: %d of %d samples are taken, at %s", p.exam, what, p.taken(), samples, p.addr())
		}
	}
}

// play lets a page hear the sound while the service is ended, once in each of as many pieces of it as there are ends, at a random moment of the piece.
func (s *service) play(t *testing.T, exam string, pcm []int16, speed float64, rnd *rand.Rand, ends []bool) *page {
	t.Helper()
	p, stop := speaks(t, []string{s.addr}, exam, pcm, speed, (*page).follow)
	defer stop()
	for i, clean := range ends {
		at := int((float64(i) + rnd.Float64()) / float64(len(ends)) * float64(len(pcm)))
		for p.head() < at {
			time.Sleep(time.Millisecond)
		}
		time.Sleep(time.Duration(rnd.IntN(200)) * time.Millisecond)
		s.end(t, clean)
		seq, confirmed := p.confirmed()
		time.Sleep(time.Duration(rnd.IntN(300)) * time.Millisecond)
		s.start(t)
		var after view
		s.call(t, "GET", "api/exams/"+exam, nil, &after)
		if after.Seq < seq {
			t.Errorf("%s, end %d: event %d was confirmed, the log ends at %d", exam, i, seq, after.Seq)
		}
		have := after.Teeth.depths()
		for site, d := range confirmed {
			if have[site] != d && after.Seq == seq { // what was confirmed may have been taken back since
				t.Errorf("%s, end %d: %s was confirmed as %v, is %v", exam, i, site, d, have[site])
			}
		}
	}
	p.reach(t, "the end", len(pcm))
	time.Sleep(300 * time.Millisecond)
	return p
}

// A voice, edits in the same exam and typing in another one, all at once, while the service is ended again and again. LEADSMAN_MEASURE=1 makes it 100 kills and 20 clean stops in several
// plays of the recording, LEADSMAN_KILLS=500 as many kills. A minute: the recording has 107 s, spoken four times as fast, and the service starts 15 times.
func TestEveryCallCountsOnce(t *testing.T) {
	t.Parallel()
	kills, stops, plays, speed := 12, 3, 1, 4.0
	if os.Getenv("LEADSMAN_MEASURE") != "" {
		kills, stops, plays = 100, 20, 8
	}
	if s := os.Getenv("LEADSMAN_KILLS"); s != "" {
		n, err := strconv.Atoi(s)
		if err != nil || n < 1 {
			t.Fatalf("LEADSMAN_KILLS: %q is no number of kills", s)
		}
		kills, stops, plays = n, n/5, max(1, n*8/100)
	}
	seed := uint64(time.Now().UnixNano())
	if s := os.Getenv("LEADSMAN_SEED"); s != "" {
		var err error
		if seed, err = strconv.ParseUint(s, 10, 64); err != nil {
			t.Fatal(err)
		}
	}
	t.Logf("LEADSMAN_SEED=%d repeats the moments", seed)
	rnd := rand.New(rand.NewPCG(seed, 0))
	pcm, want := fullMouth(t)
	s := newService(t)
	s.start(t)
	patient := s.newPatient(t)
	ends := slices.Concat(slices.Repeat([]bool{false}, kills), slices.Repeat([]bool{true}, stops))
	rnd.Shuffle(len(ends), func(i, j int) { ends[i], ends[j] = ends[j], ends[i] })
	var exams []string
	var typists []*typist
	resent, givenUp := 0, 0
	for play := range plays {
		id := fmt.Sprint("played-", play)
		exams = append(exams, id)
		who := &typist{addr: s.addr, spoken: id, typed: fmt.Sprint("typed-", play), sent: map[string][]string{}, margins: map[string]int{}}
		typists = append(typists, who)
		for _, exam := range []string{id, who.typed} {
			s.begin(t, patient, exam, "universal")
		}
		ctx, cancel := context.WithCancel(context.Background())
		var wg sync.WaitGroup
		wg.Go(func() { who.run(ctx) })
		p := s.play(t, id, pcm, speed, rnd, ends[len(ends)*play/plays:len(ends)*(play+1)/plays])
		cancel()
		wg.Wait()
		resent, givenUp = resent+p.resent, givenUp+p.lost
	}
	s.end(t, true)
	s.verify(t)
	st := s.opened(t)
	lost, doubled, shifted := countedOnce(t, st, want, exams...)
	typed := 0
	for _, who := range typists {
		typed += who.check(t, st)
	}
	if typed < 10*plays {
		t.Errorf("only %d edits and typed calls", typed)
	}
	t.Logf("%d kills and %d clean stops in %d plays of %d values: %d lost, %d entered twice, %d sites wrong; %d edits and typed calls beside, each there once; %.0f s of sound sent again, %.1f s given up",
		kills, stops, plays, len(want), lost, doubled, shifted, typed, float64(resent)/recordings.Rate, float64(givenUp)/recordings.Rate)
	if resent == 0 {
		t.Error("no sound was sent again: the test shows nothing")
	}
}

// Exams with every kind of call, in which numbers wait for questions, phrases for their rest and calls for what amends them: however often the
// service ends, they come to the log of a service that did not. A measurement: LEADSMAN_MEASURE=1.
func TestEveryKindOfCallCountsOnce(t *testing.T) {
	program.Measurement(t, "make faults")
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	rnd := rand.New(rand.NewPCG(seed, 0))
	s := newService(t)
	s.start(t)
	patient := s.newPatient(t)
	names := []string{"mouth-joe", "exam-joe"}
	for _, name := range names {
		rec, err := recordings.Load(name)
		if err != nil {
			t.Fatal(err)
		}
		rec.PCM = append(rec.PCM, make([]int16, 2*recordings.Rate)...)
		for _, ends := range [][]bool{nil, {false, false, true, false, false, false, true, false, false, false, false, false}} {
			id := fmt.Sprintf("%s-%d", name, len(ends))
			s.begin(t, patient, id, rec.Numbering)
			s.play(t, id, rec.PCM, 4, rnd, ends)
		}
	}
	s.end(t, true)
	st := s.opened(t)
	calls := func(exam string) (out []string) {
		for e, err := range st.Log(exam).All(context.Background()) {
			if err != nil {
				t.Fatal(err)
			}
			switch e.Kind {
			case chart.KindCall:
				out = append(out, fmt.Sprintf("%d %s %q", e.Seq, e.Did, e.Words))
			case chart.KindSet, chart.KindTooth:
				value, site := "none", ""
				if e.Value != nil {
					value = fmt.Sprint(*e.Value)
				}
				if e.Site != nil {
					site = e.Site.String()
				}
				out = append(out, fmt.Sprintf("%s.%s.%s=%s", e.Tooth, site, e.Field, value))
			}
		}
		return out
	}
	for _, name := range names {
		want, got := calls(name+"-0"), calls(name+"-12")
		if len(want) < 50 {
			t.Errorf("%s: only %d entries", name, len(want))
		}
		for i := range max(len(want), len(got)) {
			if i >= len(want) || i >= len(got) || want[i] != got[i] {
				t.Errorf("%s differs at entry %d of %d and %d:\ngot  %q\nwant %q", name, i, len(got), len(want), got[min(i, len(got)):min(i+8, len(got))], want[min(i, len(want)):min(i+8, len(want))])
				break
			}
		}
	}
}
