package clinician

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"leadsman/chart"
	"leadsman/exam"
	"leadsman/grammar"
	"leadsman/speech"
)

// tool is what the person talks to.
type tool interface {
	// hear takes 20 ms of the room, the first sample numbered first, and gives what the page is told after it.
	hear(first int64, pcm []int16) ([]told, error)
	// speaks and spoke tell it when its own voice sounds.
	speaks(from int64, text string)
	spoke(from, to int64)
	// said tells tools of tests what the person said; the exam is told by sound alone.
	said(words []string, from, to int64)
}

// examTool is the exam, hearing through an engine.
type examTool struct {
	ex    *exam.Exam
	mic   *exam.Mic
	sub   *exam.Subscription
	now   int64
	trace *trace
	mouth Mouth
	asked uint64
	ear   *ear // nil: the engine hears the sound
	// What only the measurement sees.
	questions, needless int
}

func newExamTool(engine speech.Engine, m Mouth, tr *trace) (*examTool, error) {
	t := &examTool{trace: tr, mouth: m}
	t.ear, _ = engine.(*ear)
	ctx := context.Background()
	log := &exam.Memory{}
	if err := exam.Start(ctx, log, chart.Universal, "arch", nil, nil, 1, ""); err != nil {
		return nil, err
	}
	if tr != nil {
		engine = tracedEngine{engine, tr}
	}
	var err error
	t.ex, err = exam.Open(ctx, exam.Config{ID: "clinician", Log: log, Engine: engine, Now: func() int64 { return 1 + t.now*1000/speech.Rate }})
	if err != nil {
		return nil, err
	}
	if t.mic, err = t.ex.OpenMic("clinician", false); err != nil {
		t.ex.Close()
		return nil, err
	}
	t.sub = t.ex.Subscribe(uint64(len(log.Events)))
	return t, nil
}

func (t *examTool) close() { t.ex.Close() }

// through reads an answer or a question as a page does: from its JSON.
func through[T any](v any) (*T, error) {
	text, err := json.Marshal(v)
	if err != nil {
		return nil, err
	}
	out := new(T)
	return out, json.Unmarshal(text, out)
}

func (t *examTool) hear(first int64, pcm []int16) (out []told, err error) {
	t.now = first + int64(len(pcm))
	if _, err := t.mic.Write(first, pcm); err != nil {
		return nil, err
	}
	for {
		select {
		case ch, ok := <-t.sub.C:
			if !ok {
				return nil, fmt.Errorf("the exam cut the page off")
			}
			var x told
			x.Partial = ch.Partial != nil && ch.Partial.Words != ""
			if ch.Answer != nil {
				if x.Answer, err = through[answer](ch.Answer); err != nil {
					return nil, err
				}
			}
			if ch.Head != nil {
				x.Asked = true
				if ch.Head.Question != nil {
					if x.Question, err = through[question](ch.Head.Question); err != nil {
						return nil, err
					}
				}
			}
			t.trace.change(t.now, ch)
			if ch.Head != nil && ch.Head.Question != nil && ch.Head.Question.ID != t.asked {
				t.asked = ch.Head.Question.ID
				if err := t.count(ch.Head.Question); err != nil {
					return nil, err
				}
			}
			out = append(out, x)
		default:
			return out, nil
		}
	}
}

// count takes a question in: needless is one whose values are right. One that names more than a site is right if all of
// that aspect are.
func (t *examTool) count(q *exam.Question) error {
	if q.Site == "" {
		return nil // not about a value
	}
	t.questions++
	c, _, err := t.ex.Chart(context.Background())
	if err != nil {
		return err
	}
	tooth, err := chart.ParseTooth(q.Tooth, chart.FDI)
	if err != nil {
		return err
	}
	site, err := chart.ParseSite(q.Site)
	if err != nil {
		return err
	}
	i := t.mouth.find(chart.SiteRef{Tooth: tooth, Site: site}.Place())
	if i < 0 {
		return nil
	}
	if strings.Contains(q.Speak, " of ") { // a place that is not full
		return nil
	}
	one := len(numerals(after(q.Speak))) == 1
	for k, s := range t.mouth[i].Sites {
		d := c.Site(chart.SiteRef{Tooth: tooth, Site: s}).Depth
		if (s == site || !one) && (!d.Known() || d.Half() != 2*t.mouth[i].Depths[k]) {
			return nil
		}
	}
	t.needless++
	return nil
}

func (t *examTool) speaks(from int64, text string)  { t.mic.Speaks(from, text) }
func (t *examTool) spoke(from, to int64)            { t.mic.Spoke(from, to) }
func (t *examTool) said(_ []string, from, to int64) {}

// tracedEngine writes what its recognizers give out into a trace.
type tracedEngine struct {
	speech.Engine
	trace *trace
}

func (e tracedEngine) NewRecognizer() (speech.Recognizer, error) {
	r, err := e.Engine.NewRecognizer()
	if err != nil {
		return nil, err
	}
	return tracedRecognizer{r, e.trace}, nil
}

type tracedRecognizer struct {
	speech.Recognizer
	trace *trace
}

func (r tracedRecognizer) Skip(before int64) {
	if s, can := r.Recognizer.(speech.Skipper); can {
		s.Skip(before)
	}
}

func (r tracedRecognizer) Accept(pcm []int16) ([]speech.Hypothesis, error) {
	hs, err := r.Recognizer.Accept(pcm)
	for _, h := range hs {
		r.trace.hypothesis(h)
	}
	return hs, err
}

// idealTool hears every word and answers at once. It is the measure of time, and a test of the person: it keeps the chart
// with the fold of events alone and knows nothing of the exam's judgement.
type idealTool struct {
	state   *chart.State
	pending []string
	due     []dueAnswer
	now     int64
	deaf    bool // hears nothing at all
}

type dueAnswer struct {
	at int64
	t  told
}

const idealMS = 300 // from the end of a call to its answer

func newIdealTool() (*idealTool, error) {
	evs, err := chart.Start(chart.Universal, "arch", nil, nil, chart.Meta{Time: 1})
	if err != nil {
		return nil, err
	}
	t := &idealTool{state: chart.NewState()}
	return t, t.state.Apply(evs...)
}

func (t *idealTool) hear(first int64, pcm []int16) (out []told, err error) {
	t.now = first + frame
	t.due = slices.DeleteFunc(t.due, func(d dueAnswer) bool {
		if d.at <= t.now {
			out = append(out, d.t)
		}
		return d.at <= t.now
	})
	return out, nil
}

func (t *idealTool) speaks(int64, string) {}
func (t *idealTool) spoke(int64, int64)   {}

func (t *idealTool) said(words []string, _, to int64) {
	if t.deaf {
		return
	}
	st := grammar.StateOf(t.state)
	st.Pending = t.pending
	r, err := grammar.Parse(st, words)
	if err != nil {
		t.answer(to, answer{Tone: "misfit"})
		return
	}
	if t.pending = nil; r.Ending == grammar.Prefix {
		t.pending = r.Words
		return
	}
	before := t.state.Place
	evs, err := t.state.Do(r.Command, chart.Meta{Time: 1, Source: chart.Voice, Words: strings.Join(r.Words, " ")})
	if err != nil {
		t.answer(to, answer{Tone: "refused", Speak: err.Error(), Must: true})
		return
	}
	if err := t.state.Apply(evs...); err != nil {
		panic(err) // Do worked on a copy of the same state
	}
	a := answer{Tone: "accepted"}
	now := t.state.Place
	switch r.Command.Verb() {
	case chart.VerbSoundings, chart.VerbFlag, chart.VerbCorrection:
		var said []string
		for _, e := range evs {
			if e.Kind == chart.KindSet && e.Field == chart.FieldDepth {
				said = append(said, chart.Half(*e.Value).String())
			}
		}
		a.Speak = strings.Join(said, ". ")
		switch moves := r.Command.Verb() == chart.VerbSoundings; {
		case moves && (t.state.AtEnd() || before.Aspect != now.Aspect || before.Tooth.Upper() != now.Tooth.Upper()):
			a.Tone = "arch"
		case moves && t.state.Next > 0:
			a.Tone = "part"
		}
	case chart.VerbGo, chart.VerbAspect, chart.VerbNext, chart.VerbBack, chart.VerbSkip:
		a.Tone, a.Speak = "place", now.Tooth.Label(chart.Universal)+" "+now.Aspect.String()
	case chart.VerbStandBy:
		a.Tone = "standby"
	case chart.VerbGoAhead:
		a.Tone = "listening"
	}
	t.answer(to, a)
}

func (t *idealTool) answer(to int64, a answer) {
	t.due = append(t.due, dueAnswer{to + ms(idealMS), told{Answer: &a}})
}
