package exam

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"sync"

	"leadsman/chart"
	"leadsman/grammar"
	"leadsman/speech"
)

// Limits of what is believed, all shares of probability as the engine gives them, which is right about as often as it says
// (docs/measurements.md). They follow from what mistakes cost, in needless questions; the costs are engineering choices.
const (
	doubtBelow  = 0.99 // written and marked as a doubt below this: a silent wrong value costs 50, so what is right less often than 1 - 1/50; see docs/measurements.md
	refuseBelow = 0.45 // less than this is no reading at all
	strayFiller = 0.6  // numbers out of the blue that fit no better than this are a piece of talk: see stray
	moveBelow   = 0.70 // for calls that move, delete or state more than a value: a wrong one costs 2 or 3, a repeated one 1
	nearTrust   = 0.80 // what a number that the engine just rejected is worth where numbers are being called: see awaited
	toothShare  = 0.3  // of the posterior of "two ..." and "tooth ..." together: from there on it was "tooth", see place

	// A rejected sound between numbers that is so cheap, short and loud (dB against the numbers) is a number nobody could read: see loud. And one
	// as loud and cheap that is read as "go ahead" while standing by ends that: none of 20 minutes of other speech was taken for it, at any level.
	loudFiller = 3
	loudMS     = 400
	loudDB     = 5
	wakeFiller = 2

	pendingMS  = 4000 // how long the beginning of a call waits for its rest
	amendMS    = 1500 // how long more words may change the last call
	askAfterMS = 800  // silence before a doubt is asked about
	askForMS   = 6000 // how long a question stays open
	breathMS   = 500  // shorter gaps are within one breath
	flowMS     = 3000 // the next numbers are expected so long after the last
	blueMS     = 5000 // a call so long after the last one comes out of the blue
	reactMS    = 400  // nobody answers a question sooner after it began (engineering choice)
	aloneMS    = 900  // a number that nothing follows for so long, while a doubt is asked about, is the answer

	keptChanges = 256 // changes kept for pages that come back
)

// Exam is a running exam. One goroutine owns its state; every method may be called from any
// goroutine and returns when the owner has done its part. What a method reports as done is durable.
type Exam struct {
	cfg  Config
	jobs chan func()
	quit chan struct{}
	done chan struct{}

	// Owned by the goroutine in loop.
	state     *chart.State
	pending   phrase
	amend     phrase
	question  *Question
	asked     uint64            // counts questions
	due       [][]chart.SiteRef // doubts to ask about, each entry in one question
	singles   bool              // the last call held one number: numbers are being called one by one
	streamMS  int64             // stream time of the last tick
	unheardMS int64             // stream time at which the last rejected speech ended
	breath    breath
	before    breath // the one before it
	pace      pace
	rhythm    int     // how many in a row, up to that one, were whole teeth
	soundedMS int64   // stream time at which the last soundings ended
	level     float64 // dB below full scale of the soundings, the latest counting most; 0 before the first
	calledMS  int64   // and the last call
	strayed   phrase  // numbers that were taken for talk
	stream    stream  // how far the sound is decided
	held      *held   // a number that may answer the question or be the next sounding
	remark    bool    // the next speech is a remark
	uttered   []utterance
	changes   []Change
	subs      map[*Subscription]bool
	micView   *MicView

	micMu sync.Mutex
	mic   *Mic
}

// unclear is the reason of doubts that come from the ear; others come from what is plausible.
const unclear = "not heard clearly"

// phrase is words that wait for more, with the stream time until which they do, and that at which they began.
type phrase struct {
	words       []string
	until, from int64
}

// utterance is a call that was just logged, and where it stands in the sound of the microphone.
type utterance struct {
	call           uint64
	startMS, endMS int64
}

// held is a lone number heard while a doubt is asked about. If more numbers follow it was the first
// of them; if none do it was the answer.
type held struct {
	number chart.MM
	meta   chart.Meta
	doubt  *suspicion
	hyp    speech.Hypothesis
}

// Open takes up an exam where its log ends. The log must begin with a start event: see Start.
func Open(ctx context.Context, cfg Config) (*Exam, error) {
	st := chart.NewState()
	for e, err := range cfg.Log.All(ctx) {
		if err != nil {
			return nil, fmt.Errorf("open exam %s: %w", cfg.ID, err)
		}
		if err := st.Apply(e); err != nil {
			return nil, fmt.Errorf("open exam %s: %w", cfg.ID, err)
		}
	}
	if st.Seq() == 0 {
		return nil, fmt.Errorf("open exam %s: its log is empty", cfg.ID)
	}
	e := &Exam{cfg: cfg, state: st, jobs: make(chan func()), quit: make(chan struct{}), done: make(chan struct{}), subs: map[*Subscription]bool{}}
	go e.loop()
	return e, nil
}

// Start writes the first events of an exam to its empty log.
func Start(ctx context.Context, log Log, n chart.Numbering, path string, at *chart.Place, present map[chart.Tooth]chart.Presence, now int64, who string) error {
	evs, err := chart.Start(n, path, at, present, chart.Meta{Time: now, Who: who})
	if err != nil {
		return err
	}
	return log.Append(ctx, evs...)
}

func (e *Exam) loop() {
	defer close(e.done)
	for {
		select {
		case f := <-e.jobs:
			f()
		case <-e.quit:
			for s := range e.subs {
				e.cut(s)
			}
			return
		}
	}
}

// run has the owner do f and waits for it.
func (e *Exam) run(f func()) error {
	ready := make(chan struct{})
	select {
	case e.jobs <- func() { f(); close(ready) }:
		<-ready
		return nil
	case <-e.quit:
		return ErrClosed
	}
}

// Close ends the exam's goroutine and microphone; the log stays as it is. What was being said is not decided: it is heard again when the
// microphone's owner comes back to the exam.
func (e *Exam) Close() error {
	e.micMu.Lock()
	m := e.mic
	e.micMu.Unlock()
	if m != nil {
		m.abandon()
	}
	select {
	case <-e.quit:
	default:
		close(e.quit)
	}
	<-e.done
	return nil
}

// View is the whole exam as pages show it.
func (e *Exam) View(ctx context.Context) (v View, err error) {
	err = e.run(func() {
		v = viewOf(e.cfg.ID, e.state)
		v.Head = *e.head()
	})
	return v, err
}

// Chart is a copy of the chart as it stands, with the open doubts.
func (e *Exam) Chart(ctx context.Context) (c *chart.Chart, doubts []chart.Doubt, err error) {
	err = e.run(func() {
		cc := e.state.Chart
		c = &cc
		for _, d := range e.state.Doubts {
			doubts = append(doubts, d)
		}
	})
	return c, doubts, err
}

// History is everything that was ever entered for a tooth and one of its sites, oldest first.
func (e *Exam) History(ctx context.Context, r chart.SiteRef) (h []chart.Entry, err error) {
	err = e.run(func() { h = e.state.History(r.Tooth, &r.Site) })
	return h, err
}

// Words enters typed words through the same door as spoken ones. id, if not empty, makes a repeated
// call harmless. Errors: *grammar.Misfit, *chart.Refusal, *chart.RangeError, chart.ErrSigned.
func (e *Exam) Words(ctx context.Context, text, who, id string) (a Answer, err error) {
	runErr := e.run(func() {
		if e.state.Has(id) {
			a = e.repeated(id)
			return
		}
		st := e.canSay()
		words := grammar.Text(text)
		r, perr := grammar.Parse(st, words)
		if perr == nil && r.Ending == grammar.Prefix {
			perr = &grammar.Misfit{Words: words, Reason: "the call is not finished"}
		}
		if perr != nil {
			err = perr
			a = Answer{Words: text, Text: perr.Error(), Tone: ToneMisfit}
			return
		}
		a, err = e.typed(ctx, r.Command, chart.Meta{Source: chart.Keyboard, Who: who, ID: id, Words: strings.Join(words, " "), Confidence: 1})
	})
	return a, errors.Join(err, runErr)
}

// Do performs a command from a screen. Errors as for Words.
func (e *Exam) Do(ctx context.Context, c chart.Command, who, id string) (a Answer, err error) {
	runErr := e.run(func() {
		if e.state.Has(id) {
			a = e.repeated(id)
			return
		}
		a, err = e.typed(ctx, c, chart.Meta{Source: chart.Keyboard, Who: who, ID: id, Confidence: 1})
	})
	return a, errors.Join(err, runErr)
}

// typed performs a command from a screen; yes and no there answer the open question.
func (e *Exam) typed(ctx context.Context, c chart.Command, m chart.Meta) (Answer, error) {
	if v := c.Verb(); v == chart.VerbAffirm || v == chart.VerbNegative {
		if done, a, err := e.replyTo(ctx, c, m, nil, speech.Hypothesis{}); done {
			return a, err
		}
	}
	return e.perform(ctx, c, m, nil)
}

// repeated answers a call that came twice.
func (e *Exam) repeated(id string) Answer {
	for _, ev := range e.state.Log() {
		if ev.Kind == chart.KindCall && ev.ID == id {
			return Answer{Call: ev.Seq, Did: ev.Did, Words: ev.Words, Text: "already entered", Tone: ToneAccepted}
		}
	}
	return Answer{Text: "already entered", Tone: ToneAccepted}
}

// suspicion says which readings of a call deserve a doubt.
type suspicion struct {
	// of gives a reason to doubt a reading, or "". The chart is the one after the call.
	of func(c *chart.Chart, r chart.Reading, v chart.MM) (reason, rival string)
	// also are earlier soundings that the call puts in doubt as well, and why.
	also []chart.Reading
	why  string
}

// perform does a command: events, log, fold, answer, subscribers. It runs in the owner.
func (e *Exam) perform(ctx context.Context, c chart.Command, m chart.Meta, doubt *suspicion) (Answer, error) {
	m.Time = e.cfg.Now()
	c, cause := e.withPaths(c)
	evs := []chart.Event(nil)
	if cause != nil {
		evs = e.state.Refused(c.Verb(), cause, m)
	} else if evs, cause = e.state.Do(c, m); cause == nil {
		evs = e.addDoubts(evs, m, doubt)
	}
	return e.settle(ctx, c, m, evs, cause)
}

// settle makes the events of a call durable, folds them and tells everybody. cause is why the call
// was refused, if it was.
func (e *Exam) settle(ctx context.Context, c chart.Command, m chart.Meta, evs []chart.Event, cause error) (Answer, error) {
	if err := e.keep(ctx, evs...); err != nil {
		a := Answer{Words: m.Words, Text: "not entered: " + err.Error(), Tone: ToneRefused, Must: true, Speak: "not saved"}
		e.tell(Change{Answer: &a, Partial: &Partial{}})
		return a, err
	}
	before, place, ended := e.state.Chart, e.state.Place, e.state.Ended
	beforeDoubts := e.doubtSites()
	from, path := e.state.Seq(), e.state.Path.Ref
	if err := e.state.Apply(evs...); err != nil {
		// Do applied the same events to a copy: only a fault of the program leads here.
		return Answer{}, fmt.Errorf("apply call %d: %w", evs[0].Call, err)
	}
	if m.Source == chart.Voice && e.cfg.KeepClip != nil {
		e.uttered = append(e.uttered, utterance{evs[0].Call, m.StartMS, m.EndMS})
	}
	a := e.answer(c, m, evs, cause, place, ended)
	if q := e.question; c.Verb() != chart.VerbHelp {
		e.question = nil
	} else if q != nil && m.Source == chart.Voice {
		longer := *q // who asks for help has not answered yet
		longer.until = m.EndMS + askForMS
		e.question = &longer
	}
	if cause == nil && m.Source == chart.Voice && c.Verb() != chart.VerbHelp {
		e.question = e.confirm(c, evs[0].Call, m.EndMS)
	}
	e.publish(from, &before, beforeDoubts, path, evs, &a)
	if cause == nil && c.Verb() == chart.VerbSign && e.cfg.Signed != nil {
		e.cfg.Signed()
	}
	return a, cause
}

// addDoubts appends a doubt to the events of a call for each reading that deserves one.
func (e *Exam) addDoubts(evs []chart.Event, m chart.Meta, doubt *suspicion) []chart.Event {
	if doubt == nil {
		return evs
	}
	after := e.state.Chart
	for _, ev := range evs {
		if ev.Kind == chart.KindSet && ev.Value != nil && ev.Field == chart.FieldDepth {
			after.Site(chart.SiteRef{Tooth: ev.Tooth, Site: *ev.Site}).Depth = chart.Half(*ev.Value)
		}
	}
	called := evs
	raise := func(r chart.Reading, reason, rival string) {
		evs = append(evs, chart.Event{Seq: evs[len(evs)-1].Seq + 1, Call: evs[0].Call, Time: m.Time, Kind: chart.KindDoubt, Tooth: r.Tooth, Site: &r.Site,
			Field: r.Field, Text: reason, Rival: rival})
	}
	for _, r := range doubt.also {
		if _, open := e.state.Doubts[r.SiteRef]; !open && e.state.Chart.Number(r.SiteRef, r.Field).Known() {
			raise(r, doubt.why, "")
		}
	}
	for _, ev := range called {
		if ev.Kind != chart.KindSet || ev.Value == nil || ev.Field != chart.FieldDepth && ev.Field != chart.FieldRecession {
			continue
		}
		r := chart.Reading{SiteRef: chart.SiteRef{Tooth: ev.Tooth, Site: *ev.Site}, Field: ev.Field}
		if reason, rival := doubt.of(&after, r, chart.Half(*ev.Value)); reason != "" {
			raise(r, reason, rival)
		}
	}
	return evs
}

func (e *Exam) doubtSites() map[chart.SiteRef]string {
	out := map[chart.SiteRef]string{}
	for r, d := range e.state.Doubts {
		out[r] = d.Reason
	}
	return out
}

// answer works out the reply to a call that was just applied.
func (e *Exam) answer(c chart.Command, m chart.Meta, evs []chart.Event, cause error, before chart.Place, ended bool) Answer {
	v := c.Verb()
	a := Answer{Call: evs[0].Seq, Did: v, Words: m.Words, Tone: ToneAccepted, EndMS: m.EndMS}
	if cause != nil {
		a.Text, a.Speak, a.Tone, a.Must = cause.Error(), cause.Error(), ToneRefused, true
		return a
	}
	a.Text, a.Speak = Describe(e.state, evs), spoken(evs)
	moved, to := e.state.Place, ""
	if moved != before && !e.state.AtEnd {
		to = ". " + whereTo(e.state)
	}
	switch v {
	case chart.VerbSayAgain:
		a.Must = true
		a.Speak, a.Text = e.sayAgain(c.Acts[len(c.Acts)-1].Whole)
	case chart.VerbStandBy:
		a.Tone, a.Speak = ToneStandBy, "standing by"
	case chart.VerbGoAhead:
		a.Tone, a.Speak = ToneListening, "listening"
	case chart.VerbGo, chart.VerbAspect, chart.VerbNext, chart.VerbBack, chart.VerbSkip:
		a.Tone, a.Speak = TonePlace, whereTo(e.state)
	case chart.VerbPath:
		a.Tone, a.Speak = TonePlace, "path "+e.state.Path.Name+to
	case chart.VerbPass:
		a.Tone, a.Speak = TonePlace, numbers(e.state.Pass)+to
	case chart.VerbDisregard:
		a.Speak = "disregarded"
	case chart.VerbPresence:
		a.Speak = c.Acts[len(c.Acts)-1].Presence.String()
	case chart.VerbComplete:
		n := len(e.state.Unrecorded())
		a.Must = true
		a.Speak = "complete"
		if n > 0 || len(e.state.Doubts) > 0 {
			a.Speak = fmt.Sprintf("%d sites not probed, %d doubts", n, len(e.state.Doubts))
		}
		a.Text = "exam " + a.Speak
	case chart.VerbSoundings, chart.VerbAll:
		if e.state.AtEnd || rowOf(before) != rowOf(moved) {
			a.Tone = ToneArch
		}
	}
	switch v {
	case chart.VerbSoundings, chart.VerbAll, chart.VerbFlag, chart.VerbMargin, chart.VerbSkip, chart.VerbPresence:
		if text, speak := leftOut(e.state, evs, before, ended); text != "" {
			a.Must = true
			a.Text += "; " + text
			if a.Speak != "" && v != chart.VerbSkip {
				speak = a.Speak + ". " + speak
			}
			a.Speak = speak
		}
	}
	for _, ev := range evs {
		if ev.Kind == chart.KindDoubt {
			a.Tone = ToneDoubt
		}
	}
	return a
}

// confirm asks whether a call that is hard to notice or to undo was meant: a list of teeth, an
// implant, the end of the exam. It is done at once; negative takes it back.
func (e *Exam) confirm(c chart.Command, call uint64, endMS int64) *Question {
	a := c.Acts[len(c.Acts)-1]
	var text string
	switch {
	case a.Verb == chart.VerbComplete:
		text = "exam complete?"
	case a.Verb == chart.VerbPresence && (len(a.Teeth) > 1 || a.Presence == chart.Implant):
		text = a.Presence.String()
		for _, t := range a.Teeth {
			text += " " + t.Label(e.state.Chart.Numbering)
		}
		text += "?"
	default:
		return nil
	}
	return e.takeBack(text, call, endMS)
}

// takeBack is a question that negative answers by taking a call back.
func (e *Exam) takeBack(text string, call uint64, endMS int64) *Question {
	e.asked++
	return &Question{ID: e.asked, Speak: text, Text: text + " affirm or negative", until: endMS + askForMS, call: call}
}

// rowOf tells rows of the path apart: arch and aspect.
func rowOf(p chart.Place) [2]bool { return [2]bool{p.Tooth.Upper(), p.Aspect == chart.Buccal} }

// sayAgain reads back the last entry or the whole tooth.
func (e *Exam) sayAgain(whole bool) (speak, text string) {
	num := e.state.Chart.Numbering
	if !whole {
		last, ok := e.state.LastCall("")
		if !ok {
			return "nothing was entered", "nothing was entered"
		}
		evs := e.state.CallEvents(last.Seq)
		text = Describe(e.state, evs)
		if speak = spoken(evs); speak == "" {
			speak = text
		}
		return speak, text
	}
	f := e.state.Focus
	var sp, tx []string
	for _, as := range []chart.Aspect{chart.Buccal, chart.Lingual} {
		var vals []string
		for _, site := range e.state.Path.Sites(chart.Place{Tooth: f.Tooth, Aspect: as}) {
			rec := e.state.Chart.Site(chart.SiteRef{Tooth: f.Tooth, Site: site})
			v := "none"
			if rec.Depth.Known() {
				v = speakMM(rec.Depth)
			}
			for fl := range chart.NumFlags {
				if rec.Flags[fl] == chart.Yes {
					v += " " + fl.String()
				}
			}
			vals = append(vals, v)
		}
		sp = append(sp, as.String()+" "+strings.Join(vals, ". "))
		tx = append(tx, as.String()+" "+strings.Join(vals, ", "))
	}
	label := f.Tooth.Label(num)
	next := fmt.Sprintf("next %s %s", e.state.Place.Tooth.Label(num), e.state.Place.Aspect)
	return fmt.Sprintf("tooth %s. %s. %s", label, strings.Join(sp, ". "), next), fmt.Sprintf("%s: %s; %s", label, strings.Join(tx, "; "), next)
}

// head is the changing part of the view, with what is being asked.
func (e *Exam) head() *Head {
	h := headOf(e.state)
	if h.Question = e.question; e.question != nil && h.Listening {
		answers := []string{"affirm", "negative"}
		if len(e.question.refs) > 0 {
			answers = append(answers, "four") // the right number
		}
		h.Say = append(answers, h.Say...)
	}
	return &h
}

// publish tells every subscriber what a call changed.
func (e *Exam) publish(from uint64, before *chart.Chart, beforeDoubts map[chart.SiteRef]string, path string, evs []chart.Event, a *Answer) {
	ch := Change{Seq: e.state.Seq(), From: from, Head: e.head(), Teeth: map[string]ToothView{}, Answer: a, Partial: &Partial{}}
	changed := map[chart.Tooth]bool{}
	now := e.doubtSites()
	for r, reason := range now {
		if beforeDoubts[r] != reason {
			changed[r.Tooth] = true
		}
	}
	for r := range beforeDoubts {
		if _, ok := now[r]; !ok {
			changed[r.Tooth] = true
		}
	}
	for _, t := range chart.AllTeeth() {
		if changed[t] || *before.Tooth(t) != *e.state.Chart.Tooth(t) {
			ch.Teeth[t.String()] = toothOf(e.state, t)
		}
	}
	if e.state.Path.Ref != path {
		ch.Line = lineOf(e.state)
	}
	altered := map[uint64]bool{evs[0].Call: true}
	for _, ev := range evs {
		altered[ev.Undo] = true
	}
	var calls []chart.CallInfo
	for _, c := range e.state.Calls {
		if altered[c.Seq] {
			calls = append(calls, c)
		}
	}
	ch.Calls = callViews(e.state, calls)
	e.changes = append(e.changes, ch)
	if len(e.changes) > keptChanges {
		e.changes = e.changes[len(e.changes)-keptChanges:]
	}
	e.send(ch)
}

// tell sends something tentative: not numbered, not kept.
func (e *Exam) tell(ch Change) {
	ch.Seq, ch.From = e.state.Seq(), e.state.Seq()
	e.send(ch)
}

func (e *Exam) send(ch Change) {
	for s := range e.subs {
		select {
		case s.c <- ch:
		default:
			e.cut(s) // it lags: it will come back with its last number
		}
	}
}

// Subscription is a listener. C is closed when the exam ends or the listener lags; it then
// subscribes again from its last number.
type Subscription struct {
	C <-chan Change
	c chan Change
	e *Exam
}

// Subscribe listens from a view's Seq on. If the changes since then are no longer kept, the first
// Change has From 0 and no content: the page asks for a whole View.
func (e *Exam) Subscribe(from uint64) *Subscription {
	s := &Subscription{c: make(chan Change, keptChanges+64), e: e}
	s.C = s.c
	err := e.run(func() {
		e.subs[s] = true
		i := len(e.changes)
		for i > 0 && e.changes[i-1].From >= from && e.changes[i-1].Seq > from {
			i--
		}
		switch {
		case from == e.state.Seq():
		case i < len(e.changes) && e.changes[i].From == from:
			for _, ch := range e.changes[i:] {
				s.c <- ch
			}
		default:
			s.c <- Change{Seq: e.state.Seq()}
		}
		if e.micView != nil {
			mv := *e.micView
			s.c <- Change{Seq: e.state.Seq(), From: e.state.Seq(), Mic: &mv}
		}
	})
	if err != nil {
		close(s.c)
	}
	return s
}

// Close ends the subscription; C is closed if it was not yet.
func (s *Subscription) Close() { _ = s.e.run(func() { s.e.cut(s) }) }

func (e *Exam) cut(s *Subscription) {
	if e.subs[s] {
		delete(e.subs, s)
		close(s.c)
	}
}

// meaning is the readings of a hypothesis that mean the same.
type meaning struct {
	result    grammar.Result
	err       error // of parsing
	key       string
	posterior float64
}

// heard acts on a final hypothesis. It runs in the owner.
func (e *Exam) heard(ctx context.Context, h speech.Hypothesis) error {
	if e.remark {
		return e.keepRemark(ctx, h)
	}
	if h.Rejected && !e.awaited(h) || len(h.Readings) == 0 {
		e.unheard(h)
		return nil
	}
	st := e.grammarState(h.StartMS)
	var ms []meaning
	for _, r := range h.Readings {
		words := strings.Fields(r.Text())
		res, err := grammar.Parse(st, words)
		var refusal *chart.Refusal
		if err != nil && !errors.As(err, &refusal) {
			continue
		}
		key := fmt.Sprintf("%t %t %v %s", res.Pending, res.Amends, err, keyOf(res))
		found := false
		for i := range ms {
			if ms[i].key == key {
				ms[i].posterior += r.Posterior
				found = true
			}
		}
		if !found {
			ms = append(ms, meaning{result: res, err: err, key: key, posterior: r.Posterior})
		}
	}
	slices.SortStableFunc(ms, func(a, b meaning) int { return cmp.Compare(b.posterior, a.posterior) })
	asked := e.place(ms, h)
	if h.Rejected {
		hoped := chart.VerbSoundings
		if !e.state.Listening {
			hoped = chart.VerbGoAhead
		}
		if len(ms) == 0 || ms[0].err != nil || ms[0].result.Command.Verb() != hoped {
			e.unheard(h)
			return nil
		}
		best := &ms[0]
		best.posterior *= nearTrust
		switch {
		case len(best.result.Words) == 1 && e.loud(h): // that it was a number is what counts: which one is asked
			best.posterior = max(best.posterior, refuseBelow)
		case !h.Near && e.state.Listening || best.posterior < refuseBelow:
			e.unheard(h)
			return nil
		}
	}
	if len(ms) == 0 {
		e.misfit(h)
		return nil
	}
	m := ms[0]
	conf := math.Min(1, m.posterior)
	if conf < refuseBelow {
		e.misfit(h)
		return nil
	}
	if m.err == nil && e.stray(m.result, h) {
		e.misfit(h)
		return nil
	}
	if m.result.Ending == grammar.Prefix && m.err == nil {
		from := h.StartMS
		if m.result.Pending {
			from = e.pending.from
		}
		e.pending = phrase{m.result.Words, h.EndMS + pendingMS, from}
		e.tell(Change{Partial: &Partial{Words: strings.Join(m.result.Words, " ") + " …"}})
		return nil
	}
	verb := m.result.Command.Verb()
	if conf < moveBelow && m.err == nil && !isValue(verb) {
		e.misfit(h)
		return nil
	}
	rival := ""
	if len(ms) > 1 {
		rival = strings.Join(ms[1].result.Words, " ")
	}
	do := m.result.Command
	e.pending = phrase{}
	if m.result.Amends {
		do.Acts = append([]chart.Act{{Verb: chart.VerbDisregard}}, do.Acts...)
	}
	meta := chart.Meta{Time: e.cfg.Now(), Source: chart.Voice, Words: strings.Join(m.result.Words, " "), Confidence: round(conf),
		StartMS: h.StartMS, EndMS: h.EndMS}
	if m.err != nil {
		// Well formed, and names what does not exist.
		_, err := e.settle(ctx, do, meta, e.state.Refused(verb, m.err, meta), m.err)
		return expected(err)
	}
	e.amend = phrase{}
	if m.result.Ending == grammar.Open {
		e.amend = phrase{m.result.Words, h.EndMS + amendMS, h.StartMS}
	}
	lost := e.lost(do, h)
	doubt := &suspicion{of: func(c *chart.Chart, r chart.Reading, v chart.MM) (string, string) {
		if conf < doubtBelow {
			return unclear, rival
		}
		if lost != "" {
			return lost, ""
		}
		return e.implausible(c, r, v), ""
	}}
	if e.held != nil {
		follows := verb == chart.VerbSoundings && h.StartMS-e.held.meta.EndMS < aloneMS
		if err := e.release(ctx, !follows); err != nil {
			return err
		}
	}
	if done, _, err := e.replyTo(ctx, do, meta, doubt, h); done {
		return expected(err)
	}
	if lost == runsOver {
		doubt.also, doubt.why = e.breath.refs, runsOver
		if anew, ok := e.anew(do); ok {
			do, lost = anew, ""
			doubt.also, doubt.why = e.before.refs, tooFew
			e.before.mended, e.breath = true, breath{first: new(int)}
		}
	}
	a, err := e.perform(ctx, do, meta, doubt)
	e.after(a, verb, do, h)
	if asked && err == nil {
		e.question = e.takeBack(fmt.Sprintf("tooth %s?", do.Acts[0].Tooth.Label(e.state.Chart.Numbering)), a.Call, h.EndMS)
		e.tell(Change{Head: e.head()})
	}
	return expected(err)
}

// stray reports whether numbers out of the blue are more likely a piece of talk; said again at once they are a call. In 30 minutes of
// read sentences and 10 of single words, clean and in noise, the numbers that nobody had called cost 0.7 and more, but for
// "one" out of "on" and "wow". Of 598 true calls, many of them in noise, 34 cost over 0.6, and none of these were
// numbers out of the blue.
func (e *Exam) stray(r grammar.Result, h speech.Hypothesis) bool {
	again := slices.Equal(e.strayed.words, r.Words) && h.StartMS <= e.strayed.until
	e.strayed = phrase{}
	switch r.Command.Verb() {
	case chart.VerbSoundings, chart.VerbAll, chart.VerbSite, chart.VerbMargin:
	default:
		return false
	}
	if h.Filler < strayFiller || again || e.question != nil || r.Pending || r.Amends || e.calledMS > 0 && h.StartMS-e.calledMS < blueMS {
		return false
	}
	e.strayed = phrase{r.Words, h.EndMS + blueMS, h.StartMS}
	return true
}

// awaited reports whether speech that the engine just rejected may be acted upon all the same: it may have been the next number, and one lost number puts
// all that follow one site off, which costs more than a question; or the one call that ends standing by, without which every call after it is lost.
func (e *Exam) awaited(h speech.Hypothesis) bool {
	if !e.state.Listening {
		return h.Near || h.Filler < wakeFiller && e.asLoud(h)
	}
	return (h.Near || e.loud(h)) && !e.state.AtEnd && e.soundedMS > 0 && h.StartMS-e.soundedMS < flowMS
}

// loud reports whether speech that the engine rejected is as short and nearly as loud as the numbers called around it. In recordings of real
// digits and of the voice pico, in noise of 20 to 5 dB, 12 of 12 such sounds were numbers, 2.4 dB below the calls at most. Breaths, tails and
// other people lay 5.3 dB and more below them; most flags that could not be read last longer.
func (e *Exam) loud(h speech.Hypothesis) bool {
	return e.state.Listening && h.Filler < loudFiller && h.EndMS-h.StartMS < loudMS && e.asLoud(h)
}

// asLoud reports whether speech is about as loud as the numbers were.
func (e *Exam) asLoud(h speech.Hypothesis) bool {
	return e.level < 0 && h.Signal.LevelDB > e.level-loudDB
}

// unheard deals with speech that is no call. Chatter: no tone, no change. But speech in one breath with soundings was meant
// for the chart.
func (e *Exam) unheard(h speech.Hypothesis) {
	e.unheardMS = h.EndMS
	ch := Change{Partial: &Partial{}}
	if e.soundedMS > 0 && h.StartMS-e.soundedMS < breathMS {
		e.breath.gap = true
		if e.state.Listening {
			ch.Answer = &Answer{Text: "a word was not understood", Tone: ToneMisfit, EndMS: h.EndMS, AtMS: h.AtMS}
		}
	}
	e.tell(ch)
}

// place settles whether a call begins with "tooth" or with "two", which lose against each other only the last sound. If the
// two best meanings differ in nothing else, and the tooth is there, the better one of the two comes first and takes the
// posterior of both; asked reports that it is a place which the numbers seemed likelier than.
//
// The share was measured with the first network of the shipped model, clean and at 10 dB: of 152 times "tooth" and a number (synthetic voices outside the training) 137
// lay above it, of 182 calls that begin with "two" (real digits and synthetic voices) two did. Such numbers are some six times as frequent as jumps to a tooth (common practice, no source).
// Where the numbers fill a tooth to its end and the jump would not, or would leave a tooth in the middle of its sites, the tooth has to be the likelier one.
func (e *Exam) place(ms []meaning, h speech.Hypothesis) (asked bool) {
	if len(ms) < 2 {
		return false
	}
	two, tooth := &ms[0], &ms[1]
	if begins(*two, "tooth") {
		two, tooth = tooth, two
	}
	if !begins(*two, "two") || !begins(*tooth, "tooth") || !slices.Equal(two.result.Words[1:], tooth.result.Words[1:]) ||
		tooth.posterior < toothShare*(two.posterior+tooth.posterior) || tooth.posterior < two.posterior && e.fill(two, tooth, h) {
		return false
	}
	acts := tooth.result.Command.Acts
	if len(acts) == 0 || acts[0].Verb != chart.VerbGo || !e.state.Chart.Tooth(acts[0].Tooth).Presence.Probed() {
		return false
	}
	tooth.posterior += two.posterior
	two.posterior = 0
	if tooth != &ms[0] {
		ms[0], ms[1] = ms[1], ms[0]
	}
	return true
}

// fill reports whether the numbers of a "two ..." are what is to come where the exam is, and those behind the "tooth ..." are not.
func (e *Exam) fill(two, tooth *meaning, h speech.Hypothesis) bool {
	numbers := func(m *meaning) (n int, only bool) {
		only = true
		for _, a := range m.result.Command.Acts {
			n += len(a.Numbers)
			only = only && (a.Verb == chart.VerbSoundings || a.Verb == chart.VerbGo)
		}
		return n, only
	}
	n, plain := numbers(two)
	behind, jumps := numbers(tooth)
	amid := e.state.Next != 0 && h.StartMS-e.soundedMS < flowMS
	return plain && jumps && (e.state.Next+n)%3 == 0 && (behind%3 != 0 || amid)
}

func begins(m meaning, word string) bool {
	return m.err == nil && len(m.result.Words) > 0 && m.result.Words[0] == word
}

// expected drops the errors that are answers: the call was refused, logged and told.
func expected(err error) error {
	var refusal *chart.Refusal
	var ranged *chart.RangeError
	if errors.As(err, &refusal) || errors.As(err, &ranged) || errors.Is(err, chart.ErrSigned) {
		return nil
	}
	return err
}

// Reasons to doubt a whole call because a number before it may have been lost, so that all of them
// stand one site off.
const (
	runsOver  = "runs over two teeth: a number may be missing before it"
	gapBeside = "a word beside it was not understood"
	tooFew    = "a number of this tooth was not heard"
)

// lost looks for signs that a number went unheard. People call the sites of an aspect in one
// breath; three numbers that begin in the middle of one tooth and end in the middle of the next
// do not fit that.
func (e *Exam) lost(c chart.Command, h speech.Hypothesis) string {
	if c.Verb() != chart.VerbSoundings || len(c.Acts) != 1 {
		return ""
	}
	unheard := e.unheardMS > 0 && h.StartMS-e.unheardMS < breathMS
	pause := h.StartMS - e.soundedMS
	if e.breath.first == nil || pause >= e.pace.breath() {
		e.breathed()
		next := e.state.Next
		e.breath = breath{first: &next, gap: unheard}
	}
	e.pace.learn(pause, e.state.Next == 0)
	switch n := len(e.breath.refs) + len(c.Acts[0].Numbers); {
	case unheard:
		return gapBeside
	case n%3 == 0 && *e.breath.first != 0:
		return runsOver
	}
	return ""
}

// breathed takes the breath that has ended in.
func (e *Exam) breathed() {
	b, was := e.breath, &e.before
	switch {
	case b.first != nil && was.atTooth() && *b.first > 0 && *b.first == len(was.refs)%3 && *b.first+len(b.refs) <= 3:
		// The rest of the tooth, or a part of it, came on its own.
		was.refs, was.gap, was.parts = append(was.refs, b.refs...), was.gap || b.gap, was.parts+1
		return
	case was.mended:
	case was.atTooth() && len(was.refs) > 0 && len(was.refs)%3 == 0 && was.parts < 2:
		e.rhythm++
	default:
		e.rhythm = 0
	}
	e.before = b
}

// breath is the soundings called without a pause, however the recognizer cut them up.
type breath struct {
	first   *int // State.Next when it began; nil before the first one
	refs    []chart.Reading
	numbers []chart.MM
	calls   []uint64
	gap     bool // speech in it, or right beside it, was not understood
	parts   int  // breaths that brought more of the same tooth
	mended  bool // a number short; the next one began a tooth of its own: see anew
}

// atTooth reports whether it began with the first site of a tooth.
func (b *breath) atTooth() bool { return b.first != nil && *b.first == 0 }

// pace is how long an examiner pauses within a tooth and between teeth, in ms; 0 is not known.
type pace struct{ within, between float64 }

// learn takes a pause before a number in.
func (p *pace) learn(ms int64, atTooth bool) {
	of := &p.within
	if atTooth {
		of = &p.between
	}
	switch {
	case ms <= 0 || ms >= flowMS:
	case *of == 0:
		*of = float64(ms)
	default:
		*of += (float64(ms) - *of) / 8
	}
}

// breath is the pause from which on numbers belong to another breath: between the two, for who pauses between teeth plainly
// longer than within them.
func (p *pace) breath() int64 {
	if p.within == 0 || p.between < 1.5*p.within {
		return breathMS
	}
	return max(breathMS, int64(math.Sqrt(p.within*p.between)))
}

// steady is how many breaths must have been whole teeth before a shorter one counts as one that lost a number.
const steady = 4

// anew gives the command that puts a breath which runs over two teeth at a tooth of its own: for an examiner who called
// whole teeth in one breath each, and the last time one number less, or two of which something was heard. It
// leaves the rest of that tooth open: better one tooth to ask about than all that follow one site off.
func (e *Exam) anew(c chart.Command) (chart.Command, bool) {
	was, b := e.before, e.breath
	short := len(was.refs) % 3
	if e.rhythm < steady || !was.atTooth() || short == 0 || short == 1 && !was.gap || *b.first != short || e.state.Rest ||
		slices.ContainsFunc(e.state.Path.Steps, func(s chart.Step) bool { return s.Off != [3]bool{} }) {
		return c, false
	}
	// Pieces of this breath that stand there already are taken back, if nothing came between them.
	var do chart.Command
	calls := e.state.Calls
	for i := len(b.calls) - 1; i >= 0; i-- {
		if len(calls) == 0 || calls[len(calls)-1].Seq != b.calls[i] {
			return c, false
		}
		calls = calls[:len(calls)-1]
		seq := strconv.FormatUint(b.calls[i], 10)
		do.Acts = append(do.Acts, chart.Act{Verb: chart.VerbDisregard, Was: &seq})
	}
	do.Acts = append(do.Acts, chart.Act{Verb: chart.VerbNext},
		chart.Act{Verb: chart.VerbSoundings, Numbers: append(slices.Clone(b.numbers), c.Acts[0].Numbers...)})
	if _, err := e.state.Do(do, chart.Meta{Source: chart.Voice}); err != nil {
		return c, false // there is no next tooth
	}
	return do, true
}

// isValue reports whether a call writes values at sites or teeth and can so be marked as a doubt.
func isValue(v chart.Verb) bool {
	switch v {
	case chart.VerbSoundings, chart.VerbAll, chart.VerbSite, chart.VerbMargin, chart.VerbFlag, chart.VerbCorrection:
		return true
	}
	return false
}

func round(f float64) float64 { return math.Round(f*1000) / 1000 }

func keyOf(r grammar.Result) string {
	if r.Ending == grammar.Prefix {
		return "prefix " + strings.Join(r.Words, " ")
	}
	b, _ := json.Marshal(r.Command)
	return string(b)
}

// canSay is what can be said if nothing waits for more words.
func (e *Exam) canSay() grammar.State {
	st := grammar.StateOf(e.state)
	st.Question, st.Terms = e.question != nil, e.cfg.Terms
	return st
}

// grammarState is what can be said at a stream time.
func (e *Exam) grammarState(atMS int64) grammar.State {
	st := e.canSay()
	if e.pending.words != nil && atMS <= e.pending.until {
		st.Pending = e.pending.words
	}
	if e.amend.words != nil && atMS <= e.amend.until {
		st.Amend = e.amend.words
	}
	return st
}

// misfit answers speech that was not understood: another tone, and nothing changes.
func (e *Exam) misfit(h speech.Hypothesis) {
	a := Answer{Words: h.Readings[0].Text(), Text: "not understood: " + h.Readings[0].Text() + "?", Tone: ToneMisfit, EndMS: h.EndMS, AtMS: h.AtMS}
	if !e.state.Listening {
		e.tell(Change{Partial: &Partial{}})
		return
	}
	e.tell(Change{Answer: &a, Partial: &Partial{}})
}

// replyTo handles calls that answer a question. done means that nothing is left to perform.
func (e *Exam) replyTo(ctx context.Context, c chart.Command, m chart.Meta, doubt *suspicion, h speech.Hypothesis) (done bool, a Answer, err error) {
	q := e.question
	if q == nil || len(c.Acts) != 1 {
		return false, a, nil
	}
	if q.call != 0 {
		switch v := c.Acts[0].Verb; v {
		case chart.VerbAffirm:
			a, err = e.perform(ctx, c, m, nil)
			return true, a, err
		case chart.VerbNegative:
			back := strconv.FormatUint(q.call, 10)
			a, err = e.perform(ctx, chart.Command{Acts: []chart.Act{{Verb: chart.VerbDisregard, Was: &back}}}, m, nil)
			return true, a, err
		}
		return false, a, nil
	}
	switch act := c.Acts[0]; {
	case act.Verb == chart.VerbAffirm && !q.value:
		do := chart.Command{}
		for _, ref := range q.refs {
			if _, open := e.state.Doubts[ref]; open {
				do.Acts = append(do.Acts, chart.Act{Verb: chart.VerbSettle, Ref: &ref})
			}
		}
		if len(do.Acts) == 0 {
			do.Acts = c.Acts // settled at a screen meanwhile
		}
		a, err = e.perform(ctx, do, m, nil)
		return true, a, err
	case act.Verb == chart.VerbNegative:
		// The doubt stays; the value is asked for.
		e.asked++
		e.question = &Question{ID: e.asked, Speak: "say the value", Text: "say the value for " + q.Text, Tooth: q.Tooth, Site: q.Site,
			value: true, refs: q.refs, until: max(m.EndMS, e.streamMS) + askForMS}
		e.tell(Change{Head: e.head(), Partial: &Partial{}})
		return true, Answer{Did: c.Acts[0].Verb, Words: m.Words, Text: "asked", Tone: ToneAccepted}, nil
	case act.Verb == chart.VerbSoundings && q.value && len(act.Numbers) > 1 && len(act.Numbers) == len(q.refs):
		a, err = e.perform(ctx, q.values(e.state, act.Numbers), m, nil)
		return true, a, err
	case act.Verb == chart.VerbSoundings && len(act.Numbers) == 1 && len(q.refs) == 1 && (!e.singles || q.value) && h.StartMS >= q.from && h.StartMS-max(e.soundedMS, e.unheardMS) >= aloneMS:
		// Numbers called one by one are soundings, and so is one right behind speech that was not understood; another lone number may be the answer.
		e.held = &held{act.Numbers[0], m, doubt, h}
		e.tell(Change{Partial: &Partial{Words: m.Words}})
		return true, Answer{Did: c.Acts[0].Verb, Words: m.Words, Text: "asked", Tone: ToneAccepted}, nil
	}
	return false, a, nil
}

// values is the command that writes the answer to a question.
func (q *Question) values(s *chart.State, numbers []chart.MM) chart.Command {
	var c chart.Command
	for i, ref := range q.refs {
		field := s.Doubts[ref].Field
		if field == "" {
			field = s.Pass
		}
		c.Acts = append(c.Acts, chart.Act{Verb: chart.VerbSet, Ref: &ref, Field: field, Number: &numbers[i]})
	}
	return c
}

// release decides on a held number, before whatever comes next.
func (e *Exam) release(ctx context.Context, answers bool) error {
	k := e.held
	if k == nil {
		return nil
	}
	e.held = nil
	defer e.stream.earlier(k.hyp.Consumed)()
	q := e.question
	if answers && q != nil {
		_, err := e.perform(ctx, q.values(e.state, []chart.MM{k.number}), k.meta, nil)
		return expected(err)
	}
	do := chart.Command{Acts: []chart.Act{{Verb: chart.VerbSoundings, Numbers: []chart.MM{k.number}}}}
	a, err := e.perform(ctx, do, k.meta, k.doubt)
	e.after(a, chart.VerbSoundings, do, k.hyp)
	return expected(err)
}

// after keeps what later calls depend on.
func (e *Exam) after(a Answer, v chart.Verb, c chart.Command, h speech.Hypothesis) {
	evs := e.state.CallEvents(a.Call)
	e.calledMS = h.EndMS
	if v == chart.VerbSoundings {
		e.soundedMS = h.EndMS
		if l := h.Signal.LevelDB; l < 0 { // an engine may not know it
			follow(&e.level, l, l)
		}
		for _, ev := range evs {
			if ev.Kind == chart.KindSet && ev.Sounding {
				e.breath.refs = append(e.breath.refs, chart.Reading{SiteRef: chart.SiteRef{Tooth: ev.Tooth, Site: *ev.Site}, Field: ev.Field})
			}
		}
		e.breath.calls = append(e.breath.calls, a.Call)
		n := 0
		for _, act := range c.Acts {
			e.breath.numbers = append(e.breath.numbers, act.Numbers...)
			n += len(act.Numbers)
		}
		e.singles = n == 1
	}
	if v == chart.VerbRemark {
		e.remark = true
	}
	// Doubts of one call are asked about together, if it is heard badly as a whole.
	var whole, short []chart.SiteRef
	for _, ev := range evs {
		if ev.Kind != chart.KindDoubt {
			continue
		}
		ref := chart.SiteRef{Tooth: ev.Tooth, Site: *ev.Site}
		switch ev.Text {
		case tooFew:
			short = append(short, ref)
		case unclear, runsOver, gapBeside:
			whole = append(whole, ref)
		default:
			e.due = append(e.due, []chart.SiteRef{ref})
		}
	}
	if short != nil {
		last := short[len(short)-1]
		for _, site := range e.state.Path.Sites(chart.Place{Tooth: last.Tooth, Aspect: last.Site.Aspect()}) {
			if ref := (chart.SiteRef{Tooth: last.Tooth, Site: site}); !slices.Contains(short, ref) {
				short = append(short, ref)
			}
		}
		e.due = append(e.due, short)
	}
	if whole != nil {
		e.due = append(e.due, whole)
	}
}

// keepRemark stores the speech after "remark" beside the place.
func (e *Exam) keepRemark(ctx context.Context, h speech.Hypothesis) error {
	e.remark = false
	text := "sound clip"
	if len(h.Readings) > 0 && !h.Rejected {
		text = h.Readings[0].Text()
	}
	_, err := e.perform(ctx, chart.Command{Acts: []chart.Act{{Verb: chart.VerbRemark, Text: text}}},
		chart.Meta{Source: chart.Voice, StartMS: h.StartMS, EndMS: h.EndMS}, nil)
	return err
}

// Plausibility, in millimetres. Engine's choices but for the first two: readings of 0 and of 10 and
// more, and 4 mm above the last value of the site, are read back. Plausibility raises doubts; it
// never changes a number.
const (
	readBackFrom   = 10
	aboveEarlier   = 4
	besideNeighbor = 6
)

// implausible gives a reason to ask about a value, or "".
func (e *Exam) implausible(c *chart.Chart, r chart.Reading, v chart.MM) string {
	if r.Field == chart.FieldRecession {
		if v.Half() < -6 || v.Half() > 16 {
			return "unusual margin"
		}
		return ""
	}
	switch {
	case v.Half() == 0:
		return "depth 0"
	case v.Half() >= 2*readBackFrom:
		return "10 mm or more"
	}
	if e.cfg.Earlier != nil {
		if was := e.cfg.Earlier.Site(r.SiteRef).Depth; was.Known() && v.Half()-was.Half() >= 2*aboveEarlier {
			return fmt.Sprintf("was %s at the exam before", was)
		}
	}
	// Sites beside it on the same aspect.
	for _, w := range []chart.Where{chart.Distal, chart.Mid, chart.Mesial} {
		o := chart.SiteRef{Tooth: r.Tooth, Site: chart.SiteAt(r.Site.Aspect(), w)}
		if d := c.Site(o).Depth; o != r.SiteRef && d.Known() && math.Abs(float64(d.Half()-v.Half())) >= 2*besideNeighbor {
			return fmt.Sprintf("beside %s", d)
		}
	}
	return ""
}

// tick asks about doubts once it is quiet. It runs in the owner with the stream time, the time at
// which speech was last heard, and whether it is going on.
func (e *Exam) tick(ctx context.Context, nowMS, heardMS int64, speaking bool) error {
	e.streamMS = nowMS
	if e.held != nil && !speaking && nowMS-e.held.meta.EndMS >= aloneMS {
		if err := e.release(ctx, true); err != nil {
			return err
		}
	}
	if e.question != nil && !speaking && nowMS > e.question.until {
		e.question = nil
		e.tell(Change{Head: e.head()})
	}
	if e.pending.words != nil && nowMS > e.pending.until && !speaking {
		e.pending = phrase{}
		e.tell(Change{Partial: &Partial{}})
	}
	if speaking || nowMS-heardMS < askAfterMS || e.question != nil || e.held != nil || !e.state.Listening {
		return nil
	}
	for len(e.due) > 0 {
		var refs []chart.SiteRef
		var spoken []string
		still := false // is there a doubt left?
		for _, ref := range e.due[0] {
			d, open := e.state.Doubts[ref]
			still = still || open
			if open {
				refs, spoken = append(refs, ref), append(spoken, speakMM(e.state.Chart.Number(ref, d.Field)))
			} else if !e.state.Chart.Number(ref, e.state.Pass).Known() {
				refs, spoken = append(refs, ref), append(spoken, "missing")
			}
		}
		e.due = e.due[1:]
		if !still {
			continue
		}
		e.asked++
		first := refs[0]
		where := fmt.Sprintf("%s %s", first.Tooth.Label(e.state.Chart.Numbering), first.Site)
		if len(refs) > 1 {
			where = fmt.Sprintf("%s %s", first.Tooth.Label(e.state.Chart.Numbering), first.Site.Aspect())
		}
		e.question = &Question{ID: e.asked, Speak: strings.Join(spoken, ". ") + "?", Text: where + ": " + strings.Join(spoken, " ") + "?",
			Tooth: first.Tooth.String(), Site: first.Site.String(), refs: refs, from: nowMS + reactMS, until: nowMS + askForMS}
		e.tell(Change{Head: e.head()})
		return nil
	}
	return nil
}
