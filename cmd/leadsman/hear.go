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

func runHear(args []string, _ io.Reader, stdout, stderr io.Writer) int {
	fs := flags("hear", stderr)
	numbering := fs.String("numbering", "universal", "fdi or universal: how teeth are called")
	path := fs.String("path", "arch", "order of probing")
	start := fs.String("start", "", "where the numbers begin: TOOTH or TOOTH/ASPECT")
	missing := fs.String("missing", "", "teeth that are missing, separated by commas")
	asJSON := fs.Bool("json", false, "print one JSON object")
	realtime := fs.Bool("realtime", false, "feed the sound at the pace of speech, to measure the answer time")
	profile := fs.String("voice", "", "file of the speaker's voice profile, as leadsman enrol and the Practise page write it")
	ef := addEngineFlags(fs)
	rest, status, done := parse(fs, args)
	if done {
		return status
	}
	if len(rest) != 1 {
		return fail(stderr, exitInput, "hear takes one recording: leadsman hear FILE.wav")
	}
	num, err := chart.ParseNumbering(*numbering)
	if err != nil {
		return fail(stderr, exitInput, "hear: --%v", err)
	}
	var at *chart.Place
	if *start != "" {
		p, err := chart.ParsePlace(*start, num)
		if err != nil {
			return fail(stderr, exitInput, "hear: --start: %v", err)
		}
		at = &p
	}
	present := map[chart.Tooth]chart.Presence{}
	for _, s := range strings.FieldsFunc(*missing, func(r rune) bool { return r == ',' || r == ' ' }) {
		t, err := chart.ParseTooth(s, num)
		if err != nil {
			return fail(stderr, exitInput, "hear: --missing: %v", err)
		}
		present[t] = chart.Missing
	}
	if at != nil && at.Tooth.ThirdMolar() && present[at.Tooth] == chart.Unstated {
		present[at.Tooth] = chart.Present
	}
	pcm, _, err := speech.ReadWAVFile(rest[0])
	if err != nil {
		return fail(stderr, exitInput, "hear: %v", err)
	}
	if len(pcm) < speech.Rate/10 {
		return fail(stderr, exitInput, "hear: %s: only %d ms of sound: the recording is empty or was cut off", rest[0], len(pcm)*1000/speech.Rate)
	}
	if ef.own, err = practice.OpenWords(ef.words, ""); err != nil {
		return fail(stderr, exitInput, "hear: %v", err)
	}
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
	h, st, err := listen(engine, ef.own, pcm, num, *path, at, present, *realtime)
	if err != nil {
		var ref *chart.Refusal
		if errors.As(err, &ref) {
			return fail(stderr, exitInput, "hear: %v", err)
		}
		return fail(stderr, exitTool, "hear: %v", err)
	}
	if *asJSON {
		enc := json.NewEncoder(stdout)
		enc.SetEscapeHTML(false)
		if err := enc.Encode(h); err != nil {
			return fail(stderr, exitTool, "hear: %v", err)
		}
		return exitOK
	}
	printHeard(stdout, h, st)
	return exitOK
}

// frame is the length in samples of what a browser sends at a time: 30 ms.
const frame = speech.Rate * 30 / 1000

// listen plays a recording to an exam exactly as a microphone would.
func listen(engine speech.Engine, own *practice.Words, pcm []int16, num chart.Numbering, path string, at *chart.Place, present map[chart.Tooth]chart.Presence, realtime bool) (*heard, *chart.State, error) {
	ctx := context.Background()
	log := &exam.Memory{}
	begin := time.Now()
	now := func() int64 { return time.Since(begin).Milliseconds() }
	path, err := exam.PathRef(path, own.Paths(), nil)
	if err != nil {
		return nil, nil, err
	}
	if err := exam.Start(ctx, log, num, path, at, present, 0, ""); err != nil {
		return nil, nil, err
	}
	ex, err := exam.Open(ctx, exam.Config{ID: "recording", Log: log, Engine: engine, Now: now, Terms: own.Terms(), Paths: own.Paths()})
	if err != nil {
		return nil, nil, err
	}
	defer ex.Close()
	mic, err := ex.OpenMic("recording", false)
	if err != nil {
		return nil, nil, err
	}
	compute := time.Duration(0)
	decided := map[uint64]float64{} // call: seconds of the stream (or, in real time, of the clock) when it was durable
	seen := 0
	note := func(s float64) {
		for ; seen < len(log.Events); seen++ {
			if e := log.Events[seen]; e.Kind == chart.KindCall {
				decided[e.Seq] = s
			}
		}
	}
	note(0)
	t0 := time.Now()
	for i := 0; i < len(pcm); i += frame {
		end := min(i+frame, len(pcm))
		if realtime {
			time.Sleep(time.Until(t0.Add(time.Duration(end) * time.Second / speech.Rate)))
		}
		c0 := time.Now()
		if _, err := mic.Write(int64(i), pcm[i:end]); err != nil {
			return nil, nil, err
		}
		compute += time.Since(c0)
		if realtime {
			note(time.Since(t0).Seconds())
		} else {
			note(float64(end) / speech.Rate)
		}
	}
	c0 := time.Now()
	if err := mic.Close(); err != nil {
		return nil, nil, err
	}
	compute += time.Since(c0)
	note(float64(len(pcm)) / speech.Rate)
	st, err := chart.Fold(log.Events)
	if err != nil {
		return nil, nil, err
	}
	h := &heard{Calls: []heardCall{}, Doubts: []heardDoubt{}, AudioSeconds: float64(len(pcm)) / speech.Rate, ComputeSeconds: compute.Seconds()}
	undone := map[uint64]bool{}
	for _, c := range st.Calls {
		undone[c.Seq] = c.Undone
	}
	for _, e := range log.Events {
		if e.Kind == chart.KindCall && e.Source == chart.Voice {
			c := heardCall{Start: float64(e.StartMS) / 1000, End: float64(e.EndMS) / 1000, Words: e.Words, Confidence: e.Confidence, Did: string(e.Did),
				Refused: e.Refused, Undone: undone[e.Seq], Events: []uint64{}, Latency: decided[e.Seq] - float64(e.EndMS)/1000, text: exam.Describe(st, st.CallEvents(e.Seq))}
			if e.Refused != "" {
				c.Did = "refused"
			}
			h.Calls = append(h.Calls, c)
		}
		if n := len(h.Calls); n > 0 && e.Source == "" && e.Call != 0 && log.Events[e.Call-1].Source == chart.Voice {
			h.Calls[n-1].Events = append(h.Calls[n-1].Events, e.Seq)
		}
	}
	var open []chart.Doubt
	for _, step := range st.Path.Steps {
		for _, site := range step.Sites {
			if d, ok := st.Doubts[chart.SiteRef{Tooth: step.Tooth, Site: site}]; ok {
				h.Doubts = append(h.Doubts, heardDoubt{d.Tooth.Label(num), d.Site.String(), string(d.Field), d.Reason, d.Rival})
				open = append(open, d)
			}
		}
	}
	var cb bytes.Buffer
	if err := chartfile.Encode(&cb, &st.Chart); err != nil {
		return nil, nil, err
	}
	h.Chart = cb.Bytes()
	h.findings = diagnosis.Assess(&st.Chart, diagnosis.Options{Doubts: diagnosis.DoubtsOf(open)})
	h.Findings = h.findings.AppendJSON(nil)
	return h, st, nil
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
