package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"leadsman/chart"
	"leadsman/chartfile"
	"leadsman/diagnosis"
	"leadsman/exam"
	"leadsman/practice"
	"leadsman/speech"
)

// heardCall is a call in the output of hear --json.
type heardCall struct {
	Start      float64  `json:"start"` // seconds into the recording
	End        float64  `json:"end"`
	Words      string   `json:"words"`
	Confidence float64  `json:"confidence"` // 0..1
	Did        string   `json:"did"`        // a verb, or "refused"
	Refused    string   `json:"refused,omitempty"`
	Undone     bool     `json:"undone,omitempty"`
	Events     []uint64 `json:"events"`
	// Latency is the time from the end of the last word to the durable value, in seconds: the
	// waiting in sound time and, with --realtime, the computing as well.
	Latency float64 `json:"latency"`
	text    string
}

// heardDoubt is an entry that deserves a second look.
type heardDoubt struct {
	Tooth  string `json:"tooth"`
	Site   string `json:"site"`
	Field  string `json:"field"`
	Reason string `json:"reason"`
	Rival  string `json:"rival,omitempty"`
}

// heard is the output of hear --json.
type heard struct {
	Chart          json.RawMessage `json:"chart"`
	Calls          []heardCall     `json:"calls"`
	Doubts         []heardDoubt    `json:"doubts"`
	Findings       json.RawMessage `json:"findings"`
	AudioSeconds   float64         `json:"audio_seconds"`
	ComputeSeconds float64         `json:"compute_seconds"`
	findings       diagnosis.Findings
}

// recording is a recording, and the exam that it is played to.
type recording struct {
	pcm       []int16
	numbering chart.Numbering
	path      string
	at        *chart.Place // where the numbers begin; nil: at the path's first place
	present   map[chart.Tooth]chart.Presence
	own       *practice.Words
	realtime  bool // played at the pace of speech
}

// read reads the file of a recording.
func (r *recording) read(path string) error {
	pcm, _, err := speech.ReadWAVFile(path)
	if err != nil {
		return err
	}
	if len(pcm) < speech.Rate/10 {
		return fmt.Errorf("%s: only %d ms of sound: the recording is empty or was cut off", path, len(pcm)*1000/speech.Rate)
	}
	r.pcm = pcm
	return nil
}

// set takes the exam as the command line describes it.
func (r *recording) set(numbering, start, missing string) (err error) {
	if r.numbering, err = chart.ParseNumbering(numbering); err != nil {
		return fmt.Errorf("--%w", err)
	}
	if start != "" {
		p, err := chart.ParsePlace(start, r.numbering)
		if err != nil {
			return fmt.Errorf("--start: %w", err)
		}
		r.at = &p
	}
	r.present = map[chart.Tooth]chart.Presence{}
	for _, s := range strings.FieldsFunc(missing, func(c rune) bool { return c == ',' || c == ' ' }) {
		t, err := chart.ParseTooth(s, r.numbering)
		if err != nil {
			return fmt.Errorf("--missing: %w", err)
		}
		r.present[t] = chart.Missing
	}
	if r.at != nil && r.at.Tooth.ThirdMolar() && r.present[r.at.Tooth] == chart.Unstated {
		r.present[r.at.Tooth] = chart.Present
	}
	return nil
}

func runHear(args []string, _ io.Reader, stdout, stderr io.Writer) int {
	fs := flags("hear", stderr)
	r := &recording{}
	numbering := fs.String("numbering", "universal", "fdi or universal: how teeth are called")
	fs.StringVar(&r.path, "path", "arch", "order of probing")
	start := fs.String("start", "", "where the numbers begin: TOOTH or TOOTH/ASPECT")
	missing := fs.String("missing", "", "teeth that are missing, separated by commas")
	asJSON := fs.Bool("json", false, "print one JSON object")
	fs.BoolVar(&r.realtime, "realtime", false, "feed the sound at the pace of speech, to measure the answer time")
	profile := fs.String("voice", "", "file of the speaker's voice profile, as leadsman enrol and the Practise page write it")
	ef := addEngineFlags(fs)
	rest, status, done := parse(fs, args)
	if done {
		return status
	}
	if len(rest) != 1 {
		return fail(stderr, exitInput, "hear takes one recording: leadsman hear FILE.wav")
	}
	err := r.set(*numbering, *start, *missing)
	if err == nil {
		err = r.read(rest[0])
	}
	if err == nil {
		r.own, err = practice.OpenWords(ef.words, "")
	}
	if err != nil {
		return fail(stderr, exitInput, "hear: %v", err)
	}
	ef.own = r.own
	engine, err := openEngine(*ef)
	if err != nil {
		return fail(stderr, engineStatus(*ef, err), "hear: %v", err)
	}
	defer engine.Close()
	if *profile != "" {
		if engine, err = withVoice(engine, *profile); err != nil {
			return fail(stderr, exitInput, "hear: --voice: %v", err)
		}
	}
	h, st, err := r.hear(engine)
	switch {
	case errors.As(err, new(*chart.Refusal)):
		return fail(stderr, exitInput, "hear: %v", err)
	case err != nil:
		return fail(stderr, exitTool, "hear: %v", err)
	case !*asJSON:
		printHeard(stdout, h, st)
		return exitOK
	}
	enc := json.NewEncoder(stdout)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(h); err != nil {
		return fail(stderr, exitTool, "hear: %v", err)
	}
	return exitOK
}

// frame is the length in samples of what a browser sends at a time: 30 ms.
const frame = speech.Rate * 30 / 1000

// hear plays the recording to an exam exactly as a microphone would.
func (r *recording) hear(engine speech.Engine) (*heard, *chart.State, error) {
	ctx := context.Background()
	log := &exam.Memory{}
	begin := time.Now()
	now := func() int64 { return time.Since(begin).Milliseconds() }
	path, err := exam.PathRef(r.path, r.own.Paths(), nil)
	if err != nil {
		return nil, nil, err
	}
	if err := exam.Start(ctx, log, r.numbering, path, r.at, r.present, 0, ""); err != nil {
		return nil, nil, err
	}
	ex, err := exam.Open(ctx, exam.Config{ID: "recording", Log: log, Engine: engine, Now: now, Terms: r.own.Terms(), Paths: r.own.Paths()})
	if err != nil {
		return nil, nil, err
	}
	defer ex.Close()
	mic, err := ex.OpenMic("recording", false)
	if err != nil {
		return nil, nil, err
	}
	times := &timing{log: log, decided: map[uint64]float64{}}
	if err := r.play(mic, times); err != nil {
		return nil, nil, err
	}
	st, err := chart.Fold(log.Events)
	if err != nil {
		return nil, nil, err
	}
	h := &heard{AudioSeconds: float64(len(r.pcm)) / speech.Rate, ComputeSeconds: times.compute.Seconds(), Calls: heardCalls(st, log.Events, times.decided)}
	open := doubtsOnPath(st)
	h.Doubts = make([]heardDoubt, len(open))
	for i, d := range open {
		h.Doubts[i] = heardDoubt{d.Tooth.Label(r.numbering), d.Site.String(), string(d.Field), d.Reason, d.Rival}
	}
	var cb bytes.Buffer
	if err := chartfile.Encode(&cb, &st.Chart); err != nil {
		return nil, nil, err
	}
	h.Chart = cb.Bytes()
	h.findings = diagnosis.Assess(&st.Chart, diagnosis.Options{Doubts: chart.Named(open)})
	h.Findings = h.findings.AppendJSON(nil)
	return h, st, nil
}

// timing notes when each call of a log was durable.
type timing struct {
	log     *exam.Memory
	seen    int                // events that were looked at
	decided map[uint64]float64 // call: seconds of the stream (or, in real time, of the clock) when it was durable
	compute time.Duration
}

// note says what the time is after what has just been heard.
func (t *timing) note(seconds float64) {
	for ; t.seen < len(t.log.Events); t.seen++ {
		if e := t.log.Events[t.seen]; e.Kind == chart.KindCall {
			t.decided[e.Seq] = seconds
		}
	}
}

// working counts the time that f computes.
func (t *timing) working(f func() error) error {
	began := time.Now()
	err := f()
	t.compute += time.Since(began)
	return err
}

// play feeds the sound to a microphone and switches it off.
func (r *recording) play(mic *exam.Mic, times *timing) error {
	times.note(0)
	began := time.Now()
	for i := 0; i < len(r.pcm); i += frame {
		end := min(i+frame, len(r.pcm))
		at := float64(end) / speech.Rate
		if r.realtime {
			time.Sleep(time.Until(began.Add(time.Duration(end) * time.Second / speech.Rate)))
		}
		err := times.working(func() error {
			_, err := mic.Write(int64(i), r.pcm[i:end])
			return err
		})
		if err != nil {
			return err
		}
		if r.realtime {
			at = time.Since(began).Seconds()
		}
		times.note(at)
	}
	err := times.working(mic.Close)
	times.note(float64(len(r.pcm)) / speech.Rate)
	return err
}

// heardCalls are the spoken calls of a log, each with its events.
func heardCalls(st *chart.State, log []chart.Event, decided map[uint64]float64) []heardCall {
	undone := map[uint64]bool{}
	for _, c := range st.Calls {
		undone[c.Seq] = c.Undone
	}
	calls := []heardCall{}
	for _, e := range log {
		if e.Kind == chart.KindCall && e.Source == chart.Voice {
			c := heardCall{Start: float64(e.StartMS) / 1000, End: float64(e.EndMS) / 1000, Words: e.Words, Confidence: e.Confidence, Did: string(e.Did),
				Refused: e.Refused, Undone: undone[e.Seq], Events: []uint64{}, Latency: decided[e.Seq] - float64(e.EndMS)/1000, text: exam.Describe(st, st.CallEvents(e.Seq))}
			if e.Refused != "" {
				c.Did = "refused"
			}
			calls = append(calls, c)
		}
		if n := len(calls); n > 0 && e.Source == "" && e.Call != 0 && log[e.Call-1].Source == chart.Voice {
			calls[n-1].Events = append(calls[n-1].Events, e.Seq)
		}
	}
	return calls
}

// doubtsOnPath are what is still in doubt, in the order of the path.
func doubtsOnPath(st *chart.State) (open []chart.Doubt) {
	for _, step := range st.Path.Steps {
		for _, site := range step.Sites {
			if d, ok := st.Doubts[chart.SiteRef{Tooth: step.Tooth, Site: site}]; ok {
				open = append(open, d)
			}
		}
	}
	return open
}

// printHeard writes chart, calls and findings for people.
func printHeard(w io.Writer, h *heard, st *chart.State) {
	fmt.Fprintf(w, "%.1f s of sound heard in %.2f s\n\nCalls\n", h.AudioSeconds, h.ComputeSeconds)
	for _, c := range h.Calls {
		mark := " "
		if c.Undone {
			mark = "x"
		}
		fmt.Fprintf(w, " %s %7.2f  %-34s %3.0f %%  %s\n", mark, c.Start, c.Words, 100*c.Confidence, c.text)
	}
	fmt.Fprintf(w, "\nChart (%s numbering; sites in path order: depth, /recession, flags b s p c, ? doubt)\n", st.Chart.Numbering)
	for _, step := range st.Path.Steps {
		if !st.Chart.Tooth(step.Tooth).Presence.Probed() {
			continue
		}
		var cells []string
		any := false
		for _, site := range step.Sites {
			ref := chart.SiteRef{Tooth: step.Tooth, Site: site}
			r := st.Chart.Site(ref)
			any = any || !r.Empty()
			c := r.Depth.String()
			if r.Recession.Known() {
				c += "/" + r.Recession.String()
			}
			for f := range chart.NumFlags {
				if r.Flags[f] == chart.Yes {
					c += f.String()[:1]
				}
			}
			if _, ok := st.Doubts[ref]; ok {
				c += "?"
			}
			cells = append(cells, fmt.Sprintf("%s %-6s", site, c))
		}
		if any {
			fmt.Fprintf(w, "  %-3s %-8s %s\n", step.Tooth.Label(st.Chart.Numbering), step.Aspect, strings.Join(cells, " "))
		}
	}
	fmt.Fprintln(w, "\nFindings")
	for _, f := range h.findings.List {
		fmt.Fprintf(w, "  %-28s %-14s %s\n", f.Code, f.Value, f.Text)
	}
	for _, c := range h.findings.Cautions {
		fmt.Fprintln(w, "  "+c)
	}
}
