package load

import (
	"bufio"
	"bytes"
	"cmp"
	"context"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"os"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	page "leadsman/tests/figures"
	"leadsman/tests/program"
	"leadsman/tests/recordings"
)

const (
	tooLate = 450 * time.Millisecond // the 95th percentile from which on there are too many chairs
	settle  = 10 * time.Second       // what new chairs get before anything is measured
	lastly  = 3 * time.Second        // what the last calls get; one that is not there then counts as this late
	frame   = 512                    // samples that a page sends at once
	catchUp = 16000                  // and at most, when it was away
)

// said is a call of a recording: the end of its last word, and when the chart first had a value at each of its sites.
type said struct {
	ended, came time.Time
	wrong       bool // the value is another one than was called
}

// crowd is all chairs with what they saw.
type crowd struct {
	base    string
	rec     recordings.Recording
	sound   []byte // of it
	patient string

	mu      sync.Mutex
	said    []*said
	refused map[int]string // chairs that were not taken last time, and why
	cut     int            // connections that broke
	faults  []string
}

func (c *crowd) fault(format string, a ...any) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.faults = append(c.faults, fmt.Sprintf(format, a...))
}

func (c *crowd) post(ctx context.Context, path string, in, out any) error {
	b, err := json.Marshal(in)
	if err != nil {
		return err
	}
	req, err := http.NewRequestWithContext(ctx, "POST", c.base+path, bytes.NewReader(b))
	if err != nil {
		return err
	}
	req.Header.Set("Content-Type", "application/json")
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		return err
	}
	defer res.Body.Close()
	if b, err = io.ReadAll(res.Body); err == nil && res.StatusCode != 200 {
		err = fmt.Errorf("%s: %s %.200s", path, res.Status, b)
	}
	if err != nil {
		return err
	}
	return json.Unmarshal(b, out)
}

// chair plays exam after exam until ctx ends.
func (c *crowd) chair(ctx context.Context, n int) {
	select { // people do not call in step
	case <-time.After(time.Duration(rand.Int64N(int64(settle / 2)))):
	case <-ctx.Done():
	}
	for i := 0; ctx.Err() == nil; i++ {
		id := fmt.Sprintf("chair-%d-%d", n, i)
		var made struct{ ID string }
		if err := c.post(ctx, "api/exams", map[string]any{"patient": c.patient, "id": id, "numbering": c.rec.Numbering}, &made); err != nil {
			if ctx.Err() == nil {
				c.fault("%s: %v", id, err)
			}
			return
		}
		c.exam(ctx, n, id)
	}
}

// exam plays the recording once at the pace of speech.
func (c *crowd) exam(ctx context.Context, n int, id string) {
	ctx, cancel := context.WithCancel(ctx)
	var wg sync.WaitGroup
	defer wg.Wait()
	defer cancel()
	p := &player{c: c, exam: id, sites: map[string]*said{}, want: map[string]float64{}}
	for ctx.Err() == nil && p.sent < len(c.rec.PCM) {
		why, err := p.speak(ctx, func() {
			wg.Go(func() { p.follow(ctx) })
			c.mu.Lock()
			defer c.mu.Unlock()
			delete(c.refused, n)
		})
		c.mu.Lock()
		if why != "" {
			c.refused[n] = why
		} else if err != nil && ctx.Err() == nil {
			c.cut++
		}
		c.mu.Unlock()
		if why != "" || err != nil {
			select {
			case <-time.After(time.Second):
			case <-ctx.Done():
			}
		}
	}
	select {
	case <-time.After(time.Second): // the last answer
	case <-ctx.Done():
	}
}

// player is one microphone and its page.
type player struct {
	c    *crowd
	exam string
	sent int

	began time.Time // when the first sample was spoken; zero: not yet
	mu    sync.Mutex
	sites map[string]*said
	want  map[string]float64
}

// begin has the recording's time run from now on, and lists what is going to be called.
func (p *player) begin() {
	p.began = time.Now()
	p.mu.Lock()
	defer p.mu.Unlock()
	p.c.mu.Lock()
	defer p.c.mu.Unlock()
	for _, call := range p.c.rec.Calls {
		s := &said{ended: p.began.Add(time.Duration(call.End * float64(time.Second)))}
		for _, set := range call.Sets {
			if site, v, ok := strings.Cut(set, ".depth="); ok {
				p.sites[site] = s
				p.want[site], _ = strconv.ParseFloat(v, 64)
			}
		}
		p.c.said = append(p.c.said, s)
	}
}

// speak sends sound until the connection ends. why: the microphone was not taken.
func (p *player) speak(ctx context.Context, taken func()) (why string, err error) {
	c, _, err := websocket.DefaultDialer.DialContext(ctx, "ws"+strings.TrimPrefix(p.c.base, "http")+"api/exams/"+p.exam+"/sound?protocol=2&rate=16000&owner=mic-of-"+p.exam, nil)
	if err != nil {
		return "", err
	}
	defer c.Close()
	var m struct {
		Next  *int
		Error *struct{ Code, Text string }
	}
	if err := c.ReadJSON(&m); err != nil {
		return "", err
	} else if m.Error != nil {
		return m.Error.Code, nil
	} else if m.Next == nil {
		return "", fmt.Errorf("%s: the service does not say where the sound goes on", p.exam)
	}
	if p.began.IsZero() {
		p.begin()
		taken()
	}
	p.sent = *m.Next
	broken, ended := make(chan error, 1), make(chan struct{})
	defer close(ended)
	go func() { // answers are read past, a second's at once: each for itself would cost the clients as much as the sound
		answers := make([]byte, 1<<14)
		for {
			if _, err := c.UnderlyingConn().Read(answers); err != nil {
				broken <- err
				return
			}
			select {
			case <-time.After(time.Second):
			case <-ended:
				return
			}
		}
	}()
	tick := time.NewTicker(frame * time.Second / recordings.Rate)
	defer tick.Stop()
	for b := []byte(nil); p.sent < len(p.c.rec.PCM); {
		select {
		case <-ctx.Done():
			return "", ctx.Err()
		case err := <-broken:
			return "", err
		case <-tick.C:
		}
		head := min(len(p.c.rec.PCM), int(time.Since(p.began).Seconds()*recordings.Rate))
		for p.sent < head {
			to := min(head, p.sent+catchUp)
			b = binary.LittleEndian.AppendUint64(b[:0], uint64(p.sent))
			b = append(b, p.c.sound[2*p.sent:2*to]...)
			if err := c.WriteMessage(websocket.BinaryMessage, b); err != nil {
				return "", err
			}
			p.sent = to
		}
	}
	return "", c.WriteJSON(map[string]bool{"end": true})
}

// follow notes when values come to the chart of the page.
func (p *player) follow(ctx context.Context) {
	for ctx.Err() == nil {
		req, err := http.NewRequestWithContext(ctx, "GET", p.c.base+"api/exams/"+p.exam+"/changes", nil)
		if err != nil {
			p.c.fault("%v", err)
			return
		}
		res, err := http.DefaultClient.Do(req)
		if err != nil {
			time.Sleep(50 * time.Millisecond)
			continue
		}
		lines := bufio.NewScanner(res.Body)
		lines.Buffer(nil, 1<<20)
		for event := ""; lines.Scan(); {
			if e, ok := strings.CutPrefix(lines.Text(), "event: "); ok {
				event = e
			} else if data, ok := strings.CutPrefix(lines.Text(), "data: "); ok && event == "change" {
				p.came(data)
			}
		}
		res.Body.Close()
	}
}

func (p *player) came(data string) {
	now := time.Now()
	var change struct {
		Teeth map[string]struct {
			Sites map[string]struct{ Depth *float64 }
		}
	}
	if err := json.Unmarshal([]byte(data), &change); err != nil {
		p.c.fault("%s: %v in %.100s", p.exam, err, data)
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.c.mu.Lock()
	defer p.c.mu.Unlock()
	for tooth, t := range change.Teeth {
		for site, v := range t.Sites {
			name := tooth + "." + site
			if s := p.sites[name]; s != nil && v.Depth != nil {
				if s.came.IsZero() {
					s.came = now
				}
				s.wrong = s.wrong || *v.Depth != p.want[name]
			}
		}
	}
}

// between gives how long the calls took that ended between two moments; missing and wrong ones are counted.
func (c *crowd) between(from, to time.Time) (took []time.Duration, missing, wrong int) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, s := range c.said {
		if s.ended.Before(from) || !s.ended.Before(to) {
			continue
		}
		if s.came.IsZero() {
			missing++
			took = append(took, lastly)
			continue
		}
		if s.wrong {
			wrong++
		}
		took = append(took, s.came.Sub(s.ended))
	}
	slices.Sort(took)
	return took, missing, wrong
}

// own is the processor time of this process, which is all clients.
func own(t *testing.T) time.Duration {
	t.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		t.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// figures are what the service tells of itself.
func figures(t *testing.T, addr string) map[string]float64 {
	t.Helper()
	res, err := http.Get("http://" + addr + "/metrics")
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	out := map[string]float64{}
	for lines := bufio.NewScanner(res.Body); lines.Scan(); {
		if name, v, ok := strings.Cut(lines.Text(), " "); ok {
			out[name], _ = strconv.ParseFloat(v, 64)
		}
	}
	return out
}

// freeAddr is an address that nobody listens on.
func freeAddr(t *testing.T) string {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	return ln.Addr().String()
}

// step is what one number of chairs came to.
type step struct {
	chairs, calls, missing, wrong, refused int
	median, p95                            time.Duration
	service, clients                       float64 // processors in use
	factor, waiting                        float64 // the worst
	write                                  float64 // seconds, mean
	why                                    string
}

// gives says what the service has least of.
func (s step) gives() string {
	n := float64(runtime.NumCPU())
	switch {
	case s.refused > 0:
		return fmt.Sprintf("microphones are refused (%s): sound takes %.2f of its own length to be heard", s.why, s.factor)
	case s.p95 <= tooLate:
		return ""
	case s.service+s.clients > 0.85*n:
		return fmt.Sprintf("the processor: %.2f of %.0f are in use by the service, %.2f by its clients", s.service, n, s.clients)
	case s.write > 0.1:
		return fmt.Sprintf("the disk: a call takes %.0f ms until it is durable", 1000*s.write)
	}
	return "neither the processor nor the disk of this process: another program may have them"
}

// measure lets the chairs that are on go on for a while.
func (c *crowd) measure(t *testing.T, s *service, metrics string, chairs int, length time.Duration) step {
	t.Helper()
	time.Sleep(settle)
	from, worked, ours, before := time.Now(), s.processor(), own(t), figures(t, metrics)
	out := step{chairs: chairs}
	for time.Since(from) < length {
		time.Sleep(time.Second)
		f := figures(t, metrics)
		out.factor, out.waiting = max(out.factor, f["leadsman_realtime_factor"]), max(out.waiting, f["leadsman_sound_waiting"])
	}
	to := time.Now()
	wall := to.Sub(from).Seconds()
	out.service, out.clients = (s.processor()-worked).Seconds()/wall, (own(t)-ours).Seconds()/wall
	after := figures(t, metrics)
	out.write = (after["leadsman_write_seconds_sum"] - before["leadsman_write_seconds_sum"]) / max(1, after["leadsman_write_seconds_count"]-before["leadsman_write_seconds_count"])
	time.Sleep(lastly)
	var took []time.Duration
	took, out.missing, out.wrong = c.between(from, to)
	c.mu.Lock()
	out.refused = len(c.refused)
	for _, out.why = range c.refused {
	}
	cut := c.cut
	c.mu.Unlock()
	if out.calls = len(took); out.calls == 0 {
		t.Fatalf("%d chairs: no call was made in %v", chairs, length)
	}
	out.median, out.p95 = took[out.calls/2], took[out.calls*95/100]
	t.Logf("%3d chairs: %d calls, median %d ms, 95th percentile %d ms; %d not entered, %d wrong; processors %.2f, clients' %.2f; sound heard in %.2f of its length, %.0f pieces waiting at most; durable in %.1f ms; memory %d MB; %d refused, %d connections broke so far",
		chairs, out.calls, out.median.Milliseconds(), out.p95.Milliseconds(), out.missing, out.wrong, out.service, out.clients, out.factor, out.waiting, 1000*out.write, s.memory(), out.refused, cut)
	return out
}

// chairsOf gives the numbers of chairs in LEADSMAN_CHAIRS.
func chairsOf(t *testing.T, otherwise string) (steps []int) {
	t.Helper()
	for _, f := range strings.Fields(cmp.Or(os.Getenv("LEADSMAN_CHAIRS"), otherwise)) {
		n, err := strconv.Atoi(f)
		if err != nil || n < 1 || len(steps) > 0 && n < steps[len(steps)-1] {
			t.Fatalf("LEADSMAN_CHAIRS: %q is no number of chairs, or fewer than before it", f)
		}
		steps = append(steps, n)
	}
	return steps
}

func lengthOf(t *testing.T, name string, otherwise time.Duration) time.Duration {
	t.Helper()
	if os.Getenv(name) == "" {
		return otherwise
	}
	d, err := time.ParseDuration(os.Getenv(name))
	if err != nil || d <= 0 {
		t.Fatalf("%s: %q is no length of time such as 60s", name, os.Getenv(name))
	}
	return d
}

// open starts the service and makes who works there. One processor is enough for all clients: more threads would only wake one another.
func open(t *testing.T, ctx context.Context, more ...string) (c *crowd, s *service, metrics string) {
	t.Helper()
	runtime.GOMAXPROCS(1)
	rec, err := recordings.Load("fullmouth-joe")
	if err != nil {
		t.Fatal(err)
	}
	if pace := os.Getenv("LEADSMAN_PACE"); pace != "" {
		perMinute, err := strconv.ParseFloat(pace, 64)
		if err != nil || perMinute <= 0 {
			t.Fatalf("LEADSMAN_PACE: %q is no number of calls a minute", pace)
		}
		rested(&rec, perMinute)
	}
	rec.PCM = append(rec.PCM, make([]int16, recordings.Rate)...)
	metrics = freeAddr(t)
	s = serve(t, t.TempDir()+"/data", append([]string{"--metrics", metrics, "--microphones-per-client", "-1", "--connections-per-client", "-1"}, more...)...)
	c = &crowd{base: s.URL, rec: rec, refused: map[int]string{}}
	for _, v := range rec.PCM {
		c.sound = binary.LittleEndian.AppendUint16(c.sound, uint16(v))
	}
	var made struct{ ID string }
	if err := c.post(ctx, "api/people", map[string]any{"name": "Ada Quill", "roles": []string{"clinician"}}, &made); err != nil {
		t.Fatal(err)
	}
	if err := c.post(ctx, "api/patients", map[string]any{"name": "Nell Ashby"}, &made); err != nil {
		t.Fatal(err)
	}
	c.patient = made.ID
	load, _ := os.ReadFile("/proc/loadavg")
	t.Logf("%d processors, load before: %s", runtime.NumCPU(), bytes.TrimSpace(load))
	return c, s, metrics
}

// rested makes the pauses between the calls of a recording so long that so many calls a minute are left, with the sound that was in them: a
// probe takes its time, which the recording does not.
func rested(rec *recordings.Recording, perMinute float64) {
	whole := float64(len(rec.PCM)) / recordings.Rate
	more := int((60*float64(len(rec.Calls))/perMinute - whole) / float64(len(rec.Calls)-1) * recordings.Rate)
	var pcm []int16
	copied := 0
	for i := 0; i+1 < len(rec.Calls) && more > 0; i++ {
		from, to := int(rec.Calls[i].End*recordings.Rate), int(rec.Calls[i+1].Start*recordings.Rate)
		mid := from + 2*(to-from)/3 // behind what is left of the last word
		pcm = append(pcm, rec.PCM[copied:mid]...)
		copied = mid
		room := rec.PCM[mid:to]
		for n := range more { // forth and back, for a leap would be a click
			at := n % (2 * len(room))
			if at >= len(room) {
				at = 2*len(room) - 1 - at
			}
			pcm = append(pcm, room[at])
		}
	}
	rec.PCM = append(pcm, rec.PCM[copied:]...)
	for i := range rec.Calls {
		rec.Calls[i].Start += float64(i*max(more, 0)) / recordings.Rate
		rec.Calls[i].End += float64(i*max(more, 0)) / recordings.Rate
	}
}

func (c *crowd) tellFaults(t *testing.T) {
	t.Helper()
	c.mu.Lock()
	defer c.mu.Unlock()
	if len(c.faults) > 0 {
		t.Errorf("%d faults, such as %s", len(c.faults), c.faults[0])
	}
}

// Chairs are added until the 95th percentile from the end of the last word (the recording's truth) to the chart of the page passes 450 ms, the aim
// of the design. Each is a microphone at the pace of speech and a page that follows; all clients are this process, the service is another.
// A measurement: LEADSMAN_MEASURE=1; LEADSMAN_CHAIRS="20 40", LEADSMAN_STEP=60s, LEADSMAN_PACE=12 calls a minute (without: as fast as the recording, 33).
func TestMeasureChairs(t *testing.T) {
	program.Measurement(t, "make load")
	steps, length := chairsOf(t, "20 40 60 80 100 120"), lengthOf(t, "LEADSMAN_STEP", time.Minute)
	ctx, cancel := context.WithCancel(context.Background())
	c, s, metrics := open(t, ctx)
	var wg sync.WaitGroup
	defer wg.Wait()
	defer cancel()
	held, on := 0, 0
	var lines [][]string
	for _, n := range steps {
		for ; on < n; on++ {
			chair := on
			wg.Go(func() { c.chair(ctx, chair) })
		}
		got := c.measure(t, s, metrics, n, length)
		lines = append(lines, []string{fmt.Sprint(n), fmt.Sprintf("%d ms", got.median.Milliseconds()), fmt.Sprintf("%d ms", got.p95.Milliseconds()), fmt.Sprintf("%d of %d", got.missing, got.calls+got.missing),
			fmt.Sprint(got.refused), fmt.Sprintf("%.2f", got.service), fmt.Sprintf("%d MB", s.memory())})
		if what := got.gives(); what != "" {
			t.Logf("gives first, at %d chairs: %s", n, what)
			break
		}
		held = n
	}
	pace := "without a rest, 33 calls a minute each"
	if p := os.Getenv("LEADSMAN_PACE"); p != "" {
		pace = p + " calls a minute each"
	}
	page.Write(t, "measurements.md", "chairs", page.Table([]string{"chairs, " + pace, "median", "95 of 100", "not entered in time", "refused", "processors", "memory"}, lines)+page.Conditions())
	t.Logf("VERDICT: %d chairs are answered within %v (95th percentile)", held, tooLate)
	c.tellFaults(t)
}
