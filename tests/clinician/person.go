package clinician

import (
	"cmp"
	"errors"
	"fmt"
	"hash/fnv"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"

	"leadsman/chart"
	"leadsman/speech"
	"leadsman/tests/recordings"
)

// Habits of calling.
const (
	ByPlace  = "place"      // the three numbers of a place in a breath
	OneByOne = "one_by_one" // a number, then its answer
	ByRow    = "rows"       // two or three places of a quadrant's row in a breath
	Flags    = "flags"      // by place, with "bleeding" between the numbers
	Fast     = "fast"       // by place, without waiting for the full tone
)

// Habits lists them.
var Habits = []string{ByPlace, OneByOne, ByRow, Flags, Fast}

// Profile is how a person is. The zero value of a switch is "as people are".
type Profile struct {
	Habit  string
	Mode   string  // of the page: tone or numbers
	Notice float64 // how likely a wrong number is noticed when it is read back; 0 is 0.95
	Jump   string  // the word before a tooth to go to; "" is "number", or "tooth" of a voice without it
	// What does not happen.
	NoSlips, NoTakeBacks, NoJumps, NoStandBy, NoLeaving, NoCoughs, NoPauses bool
}

// Inattentive is how likely a wrong number is noticed by ear alone, at speed.
const Inattentive = 0.6

// Calm is a profile with nothing at random but pauses.
func Calm(p Profile) Profile {
	p.NoSlips, p.NoTakeBacks, p.NoJumps, p.NoStandBy, p.NoLeaving, p.NoCoughs = true, true, true, true, true, true
	return p
}

// How likely things happen at a place. Engineering choices: an exam of 56 places sees one or two of each.
const (
	slipShare    = 0.02
	takeShare    = 0.01
	jumpShare    = 0.012
	standByShare = 0.007
	leaveShare   = 0.007
	coughShare   = 0.04
	flagSaid     = 0.8  // of the sites that bleed, by the habit of flags
	pauseShare   = 0.04 // of the gaps inside a place are as long as 0.4 to 0.8 s
)

const (
	patienceMS = 1800
	tries      = 3       // a call and its repetitions
	mostS      = 20 * 60 // seconds after which an exam is broken off
)

// Result is what came of an exam.
type Result struct {
	Calls       int // utterances
	Again       int // calls and corrections said again
	Corrections int
	Jumps       int
	Vain        int     // places given up
	Left        int     // places that the tool said it leaves open
	Asked       int     // questions heard
	Happenings  int     // slips, stand-bys and so on
	Seconds     float64 // until the exam was complete and all questions answered
	TimedOut    bool
	Visited     map[chart.Place]bool `json:"-"`

	// Against the true mouth, after the exam.
	Wrong, Silent, Marked, Missing int
	Questions, Needless            int
	Ideal                          float64 // seconds of the same exam heard perfectly
}

type person struct {
	Profile
	mouth Mouth
	w     *world
	voice *mouthpiece
	seed  uint64
	trace *trace
	res   Result

	gap      float64 // ms between words, median
	from, to int64   // the last call
	low      int64   // from when on its last sound dies away
	aspect   chart.Aspect
	jumped   int   // tooth asked for last, Universal
	lately   []int // the places called last, three at most
	about    int   // place of the last question
	aboutOne []int // its values, if one site was asked for: the true ones
	hurry    bool  // numbers in the flow: who is fast does not wait
	ended    bool  // exam complete was said
	lost     bool  // does not know which aspect the tool is at
	mending  bool  // goes back to a place whose answer was written at another one
	back     bool  // went back to the own place, where the tool was not
	canWhere bool  // the tool understands "where"
	happened int64 // samples: the last thing said or heard
}

var errLate = errors.New("the exam does not end")

// rng is a stream of chance of its own for each purpose, so that the same things happen whatever the tool answers.
func (p *person) rng(what string, i, try int) *rand.Rand {
	h := fnv.New64a()
	fmt.Fprintf(h, "%s %d %d", what, i, try)
	return rand.New(rand.NewPCG(p.seed, h.Sum64()))
}

func (p *person) pass(n int64) error {
	for end := p.w.now + n; p.w.now < end; {
		if err := p.step(); err != nil {
			return err
		}
	}
	return nil
}

func (p *person) step() error {
	if p.w.now > mostS*speech.Rate {
		return errLate
	}
	return p.w.step()
}

// say calls words in one breath. quiet lets the tool finish first, unless the person is in a hurry.
func (p *person) say(r *rand.Rand, why string, words ...string) error {
	for end := p.w.now + 20*speech.Rate; p.Habit != Fast && p.w.page.began > 0 && p.w.page.speaking() && p.w.now < end; {
		if err := p.step(); err != nil {
			return err
		}
	}
	phrases, ok := p.voice.voice.split(words, r.Float64() < 0.5)
	if !ok {
		return fmt.Errorf("voice %s cannot say %q", p.voice.voice.Name, words)
	}
	var pcm []int16
	var spans [][2]int64
	tail, low := 0, 0
	for i, ph := range phrases {
		if i > 0 {
			pcm = append(pcm, make([]int16, ms(p.pause(r)))...)
		}
		begin, take := p.w.now+int64(len(pcm)), p.voice.say(ph, r)
		pcm, tail, low = append(pcm, take...), faint(take, 25), faint(take, 12)
		long, n := int64(len(take)), int64(len(strings.Fields(ph)))
		for k := range n {
			spans = append(spans, [2]int64{begin + long*k/n, begin + long*(k+1)/n})
		}
	}
	if t, is := p.w.tool.(*examTool); is && t.ear != nil {
		t.ear.hears(words, spans)
	}
	p.res.Calls++
	p.trace.line(p.w.now, "says", "%q  (%s)", strings.Join(words, " "), why)
	// The last sound dies away: the person has said all when it is faint.
	p.from, p.low, p.to = p.w.now, p.w.now+int64(len(pcm)-low), p.w.now+int64(len(pcm)-tail)
	p.w.voice.pcm = pcm
	for len(p.w.voice.pcm) > 0 {
		if err := p.step(); err != nil {
			return err
		}
	}
	p.w.tool.said(words, p.from, p.to)
	p.happened = p.to
	return nil
}

// pause draws the gap between two words.
func (p *person) pause(r *rand.Rand) float64 {
	g := p.gap * math.Exp(0.35*r.NormFloat64())
	if long, u := 400+400*r.Float64(), r.Float64(); !p.NoPauses && u < pauseShare {
		return long
	}
	return min(g, 350)
}

// reply is what the person heard after a call.
type reply struct {
	tones   []string
	read    []int     // numbers read back
	cut     bool      // reading back was interrupted: some of them may be missing
	words   []meaning // everything else that was said, questions too
	asks    []meaning // the questions of them
	where   *meaning  // the place that the tool named
	lastEnd int64
}

func (r *reply) last() string {
	if len(r.tones) == 0 {
		return ""
	}
	return r.tones[len(r.tones)-1]
}

// full reports whether the last tone says that all is written.
func (r *reply) full() bool {
	switch r.last() {
	case "accepted", "arch", "doubt":
		return true
	}
	return false
}

// done reports whether the last tone says that a command was carried out.
func (r *reply) done() bool {
	return r.full() || r.last() == "place" || r.last() == "listening" || r.last() == "standby"
}

// astray deals with tones that numbers do not have: what was meant as numbers moved the tool, or had it stand by.
func (p *person) astray(i int, r *reply) (bool, error) {
	switch r.last() {
	case "place":
		p.trace.line(p.w.now, ".", "was moved without asking")
		p.lost = true
		return true, p.jump(i)
	case "standby":
		return true, p.goAhead(i)
	}
	return false, nil
}

func (r *reply) arch() bool { return slices.Contains(r.tones, "arch") }

// as reports whether what was read back is what was said, as far as it could be heard.
func (r *reply) as(said []int) bool {
	if !r.cut {
		return slices.Equal(r.read, said)
	}
	i := 0
	for _, n := range said {
		if i < len(r.read) && r.read[i] == n {
			i++
		}
	}
	return i == len(r.read)
}

// again reports whether the tool wants a place again, and which one it names.
func (r *reply) again() (meaning, bool) {
	for i := len(r.words) - 1; i >= 0; i-- {
		if m := r.words[i]; m.notFull {
			return m, true
		}
	}
	return meaning{}, r.last() == "short"
}

// hear takes in what has sounded, as an answer to the last call.
func (p *person) hear(r *reply) {
	for _, s := range p.w.page.heards {
		if s.From < p.from {
			continue // from before the call
		}
		r.lastEnd, p.happened = s.To, max(p.happened, s.To)
		if s.Tone != "" {
			// A tone in the middle of a call answers a part of it at most, one at its beginning nothing of it. While the own voice dies away it is heard.
			if s.To >= p.low+ms(50) || (s.Tone == "misfit" || s.Tone == "short") && s.From > p.from+ms(300) {
				r.tones = append(r.tones, s.Tone)
			}
			continue
		}
		if r.cut = r.cut || s.Cut; s.Words == "" {
			continue
		}
		m := understand(s.Words)
		if m.hasAspect && !s.Question {
			p.aspect = m.aspect // where the tool is
		}
		switch {
		case s.Question && s.From < p.to:
			// Who speaks does not answer what is asked meanwhile.
		case s.Where:
			r.where = &m
		case s.Question:
			p.res.Asked++
			r.asks, r.words = append(r.asks, m), append(r.words, m)
		case m.tooth > 0 && m.hasAspect && !m.notFull && !m.leftOpen:
			r.where = &m
			r.words = append(r.words, m)
		case len(m.values) > 0:
			r.read = append(r.read, m.values...)
		default:
			r.words = append(r.words, m)
		}
	}
	p.w.page.heards = nil
}

// await listens after a call: until an answer has come, or patience ends. need is how many numbers were said.
func (p *person) await(r *rand.Rand, need int) (reply, error) {
	var rep reply
	end := p.to + ms(patienceMS)
	fast := p.Habit == Fast && p.hurry
	if fast {
		end = p.to + ms(350+350*r.Float64())
	}
	for {
		p.hear(&rep)
		busy := p.w.page.speaking() || p.w.page.tone != ""
		if !busy && p.w.now >= p.to && p.decided(&rep, need) {
			break
		}
		late := end
		if p.Mode == "numbers" && len(rep.read) > 0 {
			late = max(late, rep.lastEnd+ms(600))
		}
		if p.w.now >= late && !(busy && (!fast || len(rep.tones) > 0 && !rep.full())) {
			break
		}
		if err := p.step(); err != nil {
			return rep, err
		}
	}
	if fast && len(rep.tones) == 0 {
		return rep, nil
	}
	// Reaction to what was heard last, in which more may come. Who is in a hurry has the next place ready and needs none to go on.
	react := ms(200 + 400*r.Float64())
	ready := fast && rep.full()
	for from := p.w.now; !ready && p.w.now < from+react; {
		if err := p.step(); err != nil {
			return rep, err
		}
		if p.w.page.speaking() && p.w.page.began > 0 {
			from = p.w.now
		}
	}
	p.hear(&rep)
	return rep, nil
}

func (p *person) decided(r *reply, need int) bool {
	switch {
	case len(r.asks) > 0:
		return true
	case p.Mode == "numbers" && need > 0:
		return len(r.read) >= need || slices.Contains([]string{"misfit", "refused", "short"}, r.last())
	case r.last() != "" && (r.last() != "part" || need == 1): // one number has its answer, a piece of a place waits for more
		return true
	}
	return len(r.words) > 0
}

// numbers gives the words of the depths of places i to i+n-1, with flags where that is the habit.
func (p *person) numbers(i, n int, r *rand.Rand) (words []string, said []int) {
	for _, pl := range p.mouth[i : i+n] {
		for k, d := range pl.Depths {
			words, said = append(words, spell(d)...), append(said, d)
			if p.Habit == Flags && pl.Bleeds[k] && r.Float64() < flagSaid {
				words = append(words, "bleeding")
			}
		}
	}
	return words, said
}

// plain gives the numbers of a place without flags.
func (p *person) plain(i int) (words []string) {
	for _, d := range p.mouth[i].Depths {
		words = append(words, spell(d)...)
	}
	return words
}

func (p *person) name(i int) string {
	return p.mouth[i].Tooth.Label(chart.Universal) + " " + p.mouth[i].Aspect.String()
}

// went notes that a place was called.
func (p *person) went(i int) {
	p.res.Visited[p.mouth[i].Place] = true
	p.aspect = p.mouth[i].Aspect
	p.lately = append(p.lately, i)
	p.lately = p.lately[max(0, len(p.lately)-3):]
}

// exam calls the whole mouth.
func (p *person) exam() error {
	for i := 0; i < len(p.mouth); {
		n := 1
		if p.Habit == ByRow {
			n = p.group(i)
		}
		if err := p.happen(i); err != nil {
			return err
		}
		if err := p.attend(max(0, i-1)); err != nil {
			return err
		}
		next, err := p.call(i, n)
		if err != nil {
			return err
		}
		if r := p.rng("take back", i, 0); n == 1 && !p.NoTakeBacks && r.Float64() < takeShare {
			p.res.Happenings++
			if err := p.takeBack(i); err != nil {
				return err
			}
		}
		i = next
	}
	return p.finish()
}

// group is how many places are called in a breath from place i on: seven teeth of a quadrant are two, two and three.
func (p *person) group(i int) int {
	in := 0 // places of the quadrant's row before it
	for j := i - 1; j >= 0 && p.mouth[j].Row() == p.mouth[i].Row() && p.mouth[j].Tooth.RightSide() == p.mouth[i].Tooth.RightSide(); j-- {
		in++
	}
	if in >= 4 {
		return 7 - in
	}
	return 2 - in%2
}

// call says places i to i+n-1 until the tool has them, or patience ends. next is the place to go on with.
func (p *person) call(i, n int) (next int, err error) {
	next = i + n
	if p.Habit == OneByOne {
		return next, p.oneByOne(i, false)
	}
	for try := 0; try < tries || p.back && try < 2*tries; try++ {
		if p.back = false; try > 0 {
			p.res.Again++
		}
		r := p.rng("call", i, try)
		words, said := p.numbers(i, n, r)
		slips := try == 0 && n == 1 && !p.NoSlips && p.rng("slip", i, 0).Float64() < slipShare
		if slips {
			words, said = p.slip(i)
		}
		for k := range n {
			p.went(i + k)
		}
		why := p.name(i)
		if n > 1 {
			why += " to " + p.name(i+n-1)
		}
		if try > 0 {
			why += ", again"
		}
		if err := p.say(r, why, words...); err != nil {
			return next, err
		}
		p.hurry = !slips
		rep, err := p.await(r, len(said))
		if p.hurry = false; err != nil {
			return next, err
		}
		if slips {
			p.res.Happenings++
			if done, err := p.correct(i, "own slip"); done || err != nil {
				return next, err
			}
			continue
		}
		done, to, err := p.judge(i, n, said, &rep)
		if err != nil {
			return next, err
		}
		if done {
			return to, nil
		}
	}
	p.res.Vain++
	p.trace.line(p.w.now, ".", "gives %s up", p.name(i))
	return next, nil
}

// slip is the numbers of a place with one of them wrong.
func (p *person) slip(i int) (words []string, said []int) {
	r := p.rng("slip", i, 1)
	said = slices.Clone(p.mouth[i].Depths[:])
	k := r.IntN(3)
	for said[k] == p.mouth[i].Depths[k] {
		said[k] = 1 + r.IntN(6)
	}
	for _, d := range said {
		words = append(words, spell(d)...)
	}
	return words, said
}

// judge draws the consequences of a reply to the places i to i+n-1. done is false if they have to be said again.
func (p *person) judge(i, n int, said []int, r *reply) (done bool, next int, err error) {
	next, last := i+n, i+n-1
	if told, err := p.obey(i, r); told || err != nil {
		return true, next, err
	}
	if apart, err := p.elsewhere(r, i, n); apart || err != nil {
		return false, next, err
	}
	if m, yes := r.again(); yes {
		if j, named := m.names(p.mouth, last); named && j >= 0 && (n > 1 || j != i) {
			p.trace.line(p.w.now, ".", "says %s again, as asked", p.name(j))
			p.res.Again++
			if next, err = p.placeAgain(j, i, n); err != nil {
				return true, next, err
			}
			return true, next, nil
		}
		return false, next, nil
	}
	if len(r.asks) > 0 {
		ok, err := p.answer(last, r.asks[len(r.asks)-1])
		if err != nil {
			return true, next, err
		}
		if p.Mode != "numbers" || len(r.read) == 0 || r.cut || len(r.read) >= len(said) {
			return ok || r.full(), next, nil
		}
	}
	if away, err := p.astray(i, r); away || err != nil {
		return false, next, err
	}
	if p.Mode == "numbers" && len(r.read) > 0 {
		switch {
		case r.last() == "part" && len(r.read) < len(said):
			return false, next, nil
		case r.as(said):
			return true, next, p.rowEnds(last, r)
		}
		if !p.notices(i) {
			p.trace.line(p.w.now, ".", "does not notice %v for %v", r.read, said)
			return true, next, nil
		}
		return p.misread(i, n, said, r.read)
	}
	if !r.full() {
		if p.Habit == Fast && len(r.tones) == 0 {
			return true, next, nil // goes on unless something else comes
		}
		return false, next, nil
	}
	return true, next, p.rowEnds(last, r)
}

// rowEnds asks where the tool is if a row ended for it and not for the person, who called place i last, or the other way round. A doubt has a
// tone of its own, which says nothing of rows.
func (p *person) rowEnds(i int, r *reply) error {
	if r.last() == "doubt" || r.arch() == p.mouth.ends(i) || p.Habit == Fast {
		return nil
	}
	return p.orient(i, r.arch())
}

// notices reports whether what is heard and is not as it should be is noticed.
func (p *person) notices(i int) bool {
	return p.rng("notice", i, p.res.Calls).Float64() < cmp.Or(p.Notice, 0.95)
}

// obey does what the tool says of place i besides an answer: calls its numbers one by one, or lets it be.
func (p *person) obey(i int, r *reply) (told bool, err error) {
	for _, m := range r.words {
		if m.oneByOne {
			return true, p.oneByOne(i, true)
		}
		if m.leftOpen {
			p.res.Left++
			return true, nil
		}
	}
	return false, nil
}

// elsewhere goes back to place i if the tool named another one with the numbers of the n places from there.
func (p *person) elsewhere(r *reply, i, n int) (apart bool, err error) {
	if r.where == nil {
		return false, nil
	}
	last := i + n - 1
	j, named := r.where.names(p.mouth, last)
	if !named || j >= i && j <= last {
		return false, nil
	}
	if !p.notices(i) {
		p.trace.line(p.w.now, ".", "does not notice that the tool is elsewhere")
		return false, nil
	}
	p.trace.line(p.w.now, ".", "is at %s, the tool at %s", p.name(last), placeName(p.mouth, j))
	p.back = true
	return true, p.jump(i)
}

func placeName(m Mouth, i int) string {
	if i < 0 {
		return "a place unknown"
	}
	return m[i].Tooth.Label(chart.Universal) + " " + m[i].Aspect.String()
}

// misread deals with numbers that were read back wrong.
func (p *person) misread(i, n int, said, read []int) (done bool, next int, err error) {
	next = i + n
	first := 0
	for first < len(said) && first < len(read) && said[first] == read[first] {
		first++
	}
	k := i + min(first/3, n-1)
	p.trace.line(p.w.now, ".", "hears %v for %v", read, said)
	if k == i+n-1 || n == 1 {
		done, err = p.correct(k, "read back wrong")
		return done, next, err
	}
	if err := p.jump(k); err != nil {
		return true, next, err
	}
	return true, k, nil
}

// placeAgain says one place again because the tool asked for it; where it goes on in a row is what the tool then names.
func (p *person) placeAgain(j, i, n int) (next int, err error) {
	next = i + n
	for try := range tries {
		if try > 0 {
			p.res.Again++
		}
		r := p.rng("place again", j, try)
		p.went(j)
		if err := p.say(r, p.name(j)+", again, as asked", p.plain(j)...); err != nil {
			return next, err
		}
		rep, err := p.await(r, 3)
		if err != nil {
			return next, err
		}
		if told, err := p.obey(j, &rep); told || err != nil {
			return next, err
		}
		if astray, err := p.misplaced(j, true, &rep); err != nil {
			return next, err
		} else if astray {
			continue
		}
		if m, yes := rep.again(); yes {
			if k, named := m.names(p.mouth, j); named && k >= 0 && k != j {
				j = k // it asks for another one now
			}
			continue
		}
		if len(rep.asks) > 0 {
			if _, err := p.answer(j, rep.asks[len(rep.asks)-1]); err != nil {
				return next, err
			}
		}
		if rep.where != nil {
			if k, named := rep.where.names(p.mouth, j); named && k > i && k < i+n {
				next = k
			}
		}
		if rep.full() || len(rep.read) > 0 && rep.as(p.mouth[j].Depths[:]) {
			return next, nil
		}
		if p.Mode == "numbers" && len(rep.read) > 0 {
			if done, err := p.correct(j, "read back wrong"); done || err != nil {
				return next, err
			}
		}
	}
	p.res.Vain++
	return next, nil
}

// oneByOne calls the numbers of a place one at a time, each after the answer to the one before.
func (p *person) oneByOne(i int, asked bool) error {
	p.went(i)
	for try := range tries {
		whole, err := p.single(i, asked, try)
		if err != nil || whole {
			return err
		}
		p.res.Again++
	}
	p.res.Vain++
	return nil
}

// single is one round of it; whole is false if the place has to be said again.
func (p *person) single(i int, asked bool, round int) (whole bool, err error) {
	var rep reply
	for k := range p.mouth[i].Depths {
		r, then, err := p.number(i, k, round)
		if err != nil || then != nextNumber {
			return then == leavePlace, err
		}
		rep = r
	}
	// The last number of a place that the tool does not hold for full: the whole place again.
	if rep.last() == "part" {
		return false, nil
	}
	if !asked && (rep.full() || len(rep.read) > 0) {
		return true, p.rowEnds(i, &rep)
	}
	return true, nil
}

// then is what somebody does after he has heard what became of a number.
type then int

const (
	nextNumber then = iota
	beginAnew       // all of the place is to be said again
	leavePlace      // it was told that the place stays open
)

// number says the k-th number of a place until it is taken, or in vain.
func (p *person) number(i, k, round int) (rep reply, _ then, err error) {
	d := p.mouth[i].Depths[k]
	done := false
	for try := 0; try < tries && !done; try++ {
		if try > 0 {
			p.res.Again++
		}
		r := p.rng(fmt.Sprintf("single %d %d", k, round), i, try)
		why := fmt.Sprintf("%s, number %d", p.name(i), k+1)
		if err := p.say(r, why, spell(d)...); err != nil {
			return rep, beginAnew, err
		}
		if rep, err = p.await(r, 1); err != nil {
			return rep, beginAnew, err
		}
		if slices.ContainsFunc(rep.words, func(m meaning) bool { return m.leftOpen }) {
			p.res.Left++
			return rep, leavePlace, nil
		}
		if apart, err := p.elsewhere(&rep, i, 1); apart || err != nil {
			return rep, beginAnew, err
		}
		if m, yes := rep.again(); yes {
			if j, named := m.names(p.mouth, i); !named || j == i {
				return rep, beginAnew, nil
			}
		}
		if len(rep.asks) > 0 {
			if done, err = p.answer(i, rep.asks[len(rep.asks)-1]); err != nil {
				return rep, beginAnew, err
			}
		}
		if away, err := p.astray(i, &rep); away || err != nil {
			return rep, beginAnew, err
		}
		if p.Mode == "numbers" && len(rep.read) > 0 {
			if done, err = p.checkNumber(&rep, r, i, k); err != nil {
				return rep, beginAnew, err
			}
			continue
		}
		done = done || rep.full() || rep.last() == "part"
	}
	if !done {
		p.trace.line(p.w.now, ".", "gives number %d of %s up", k+1, p.name(i))
		p.res.Vain++
	}
	return rep, nextNumber, nil
}

// checkNumber hears what is read back of the k-th number of a place, and corrects it if it is another; right says that it stands then.
func (p *person) checkNumber(rep *reply, r *rand.Rand, i, k int) (right bool, err error) {
	depths := p.mouth[i].Depths
	if slices.Equal(rep.read, depths[k:k+1]) || slices.Equal(rep.read, depths[:k+1]) {
		return true, nil
	}
	p.res.Corrections++
	if err := p.say(r, p.name(i)+", read back wrong", append([]string{"correction"}, spell(depths[k])...)...); err != nil {
		return false, err
	}
	if *rep, err = p.await(r, 1); err != nil {
		return false, err
	}
	return len(rep.read) > 0 && rep.read[len(rep.read)-1] == depths[k], nil
}

// correct says "correction" and the numbers of a place; done is false if the place has to be said plainly again.
func (p *person) correct(i int, why string) (done bool, err error) {
	for try := range tries {
		r := p.rng("correct", i, try)
		p.res.Corrections++
		if try > 0 {
			p.res.Again++
		}
		apart := r.Float64() < 0.3
		if apart {
			if err := p.say(r, why+", correcting "+p.name(i), "correction"); err != nil {
				return false, err
			}
			if err := p.pass(ms(200 + 400*r.Float64())); err != nil {
				return false, err
			}
			err = p.say(r, "the numbers of it", p.plain(i)...)
		} else {
			err = p.say(r, why+", correcting "+p.name(i), append([]string{"correction"}, p.plain(i)...)...)
		}
		if err != nil {
			return false, err
		}
		rep, err := p.await(r, 3)
		if err != nil {
			return false, err
		}
		if told, err := p.obey(i, &rep); told || err != nil {
			return true, err
		}
		if apart, err := p.elsewhere(&rep, i, 1); apart || err != nil {
			return false, err
		}
		if _, yes := rep.again(); yes {
			return false, nil
		}
		if len(rep.asks) > 0 {
			if ok, err := p.answer(i, rep.asks[len(rep.asks)-1]); ok || err != nil {
				return true, err
			}
		}
		if away, err := p.astray(i, &rep); away || err != nil {
			return false, err
		}
		if p.Mode == "numbers" && len(rep.read) > 0 {
			if rep.as(p.mouth[i].Depths[:]) {
				return true, nil
			}
			p.trace.line(p.w.now, ".", "hears %v for %v", rep.read, p.mouth[i].Depths)
			continue
		}
		if rep.full() {
			return true, nil
		}
	}
	p.res.Vain++
	p.trace.line(p.w.now, ".", "gives the correction of %s up", p.name(i))
	return true, nil
}

// answer answers a question and those that follow; ok reports that the tool took the answer.
func (p *person) answer(i int, m meaning) (ok bool, err error) {
	for q := range 6 {
		if m.oneByOne {
			return true, p.oneByOne(i, true)
		}
		if m.leftOpen {
			p.res.Left++
			return true, nil
		}
		if m.notFull {
			j, _ := m.names(p.mouth, i)
			if j < 0 {
				return false, nil
			}
			_, err := p.placeAgain(j, j, 1)
			return true, err
		}
		words := p.answerTo(i, m)
		if words == nil {
			return false, nil
		}
		var rep reply
		for try := range tries {
			if try > 0 {
				p.res.Again++
			}
			r := p.rng("answer", i, q*tries+try)
			asked, named := i, false
			if j, is := m.names(p.mouth, i); is && j >= 0 {
				asked, named = j, true
			}
			if err := p.say(r, "answers", words...); err != nil {
				return false, err
			}
			if rep, err = p.await(r, 0); err != nil {
				return false, err
			}
			ok = rep.done() || len(rep.read) > 0 || rep.where != nil || len(rep.words) > len(rep.asks) && rep.last() == ""
			if astray, err := p.misplaced(asked, named, &rep); astray || err != nil {
				return !named, err // the own place was called again
			}
			if ok || len(rep.asks) > 0 {
				break
			}
		}
		if len(rep.asks) == 0 {
			return ok, nil
		}
		m = rep.asks[len(rep.asks)-1]
	}
	return ok, nil
}

// misplaced takes an answer about place i back that the tool wrote at another one: it names the place. Was the question without a name, the two
// are apart, and the person calls the own place again.
func (p *person) misplaced(i int, named bool, r *reply) (bool, error) {
	if r.where == nil {
		return false, nil
	}
	k, told := r.where.names(p.mouth, i)
	if !told || i == k || !p.notices(i) {
		return false, nil
	}
	p.trace.line(p.w.now, ".", "answered about %s, the tool wrote it at %s", placeName(p.mouth, i), placeName(p.mouth, k))
	for try := range tries {
		c := p.rng("misplaced", i, try)
		if err := p.say(c, "not there", "disregard"); err != nil {
			return true, err
		}
		rep, err := p.await(c, 0)
		if err != nil {
			return true, err
		}
		if rep.done() || len(rep.words) > 0 || rep.where != nil {
			break
		}
	}
	if named || p.mending {
		return true, nil
	}
	p.mending = true // what happens on the way does not begin this once more
	defer func() { p.mending = false }()
	if err := p.jump(i); err != nil {
		return true, err
	}
	_, err := p.call(i, 1)
	return true, err
}

// answerTo gives the words that answer a question; nil if the person makes nothing of it.
func (p *person) answerTo(i int, m meaning) []string {
	yesNo := func(yes bool) []string {
		if yes {
			return []string{"yes"}
		}
		return []string{"no"}
	}
	j, named := m.names(p.mouth, i)
	switch {
	case m.complete:
		return yesNo(p.ended)
	case m.presence:
		return yesNo(false)
	case m.sayValue:
		if p.aboutOne != nil {
			return spellAll(p.aboutOne)
		}
		return p.plain(p.about)
	case m.tooth > 0 && len(m.values) == 0 && !m.hasAspect:
		return yesNo(m.tooth == p.jumped)
	case len(m.values) == 0 || named && j < 0:
		return nil
	}
	p.about, p.aboutOne = j, nil
	of := p.mouth[j]
	var truth []int
	for _, w := range m.where {
		for k, s := range of.Sites {
			if s.Where() == w {
				truth = append(truth, of.Depths[k])
			}
		}
	}
	if len(truth) > 0 {
		p.aboutOne = truth
		if slices.Equal(truth, m.values) {
			return yesNo(true)
		}
		return spellAll(truth)
	}
	switch {
	case !named && p.justSaid(m.values), len(m.values) == 3 && slices.Equal(m.values, of.Depths[:]):
		return yesNo(true)
	case p.ended && !named:
		return nil // of which of them all?
	case len(m.values) == 3 || named:
		return p.plain(j)
	}
	// A value of no site that was just called: it is put right as a wrong read-back is.
	return append([]string{"correction"}, p.plain(j)...)
}

// justSaid reports whether values are those of one of the last places called, or of sites of it that lie together.
func (p *person) justSaid(values []int) bool {
	for _, i := range p.lately {
		for k := 0; k+len(values) <= 3; k++ {
			if slices.Equal(values, p.mouth[i].Depths[k:k+len(values)]) {
				return true
			}
		}
	}
	return false
}

func spellAll(ns []int) (words []string) {
	for _, n := range ns {
		words = append(words, spell(n)...)
	}
	return words
}

// jump goes to a place and hears whether the tool has gone there.
func (p *person) jump(i int) error {
	word := cmp.Or(p.Jump, "number")
	if _, can := p.voice.voice.split([]string{word, "two"}, false); !can {
		word = "tooth"
	}
	p.res.Jumps++
	p.jumped = p.mouth[i].Tooth.Universal()
	words := append([]string{word}, spell(p.jumped)...)
	if p.mouth[i].Aspect != p.aspect || p.lost {
		words = append(words, p.mouth[i].Aspect.String())
	}
	p.aspect, p.lost = p.mouth[i].Aspect, false
	for try := range tries {
		if try > 0 {
			p.res.Again++
		}
		r := p.rng("jump", i, try)
		if err := p.say(r, "goes to "+p.name(i), words...); err != nil {
			return err
		}
		rep, err := p.await(r, 0)
		if err != nil {
			return err
		}
		if m := len(rep.asks) - 1; m >= 0 && (rep.asks[m].tooth > 0 || len(rep.asks[m].values) == 0) {
			if ok, err := p.answer(i, rep.asks[m]); err != nil || ok && rep.asks[m].tooth == p.jumped {
				return err
			}
			continue
		}
		if rep.where != nil {
			if j, named := rep.where.names(p.mouth, i); named && j == i {
				return nil
			}
			words = p.fullJump(word, i)
			continue
		}
		heard := rep.last()
		if heard == "place" {
			return nil
		}
		// "1. 2. 9?" is no question about a place to somebody who said "number nine".
		if slices.Contains([]string{"accepted", "arch", "doubt", "part"}, heard) || heard == "" && len(rep.read) > 0 {
			// It was taken for something else.
			if err := p.say(r, "that was no number", "disregard"); err != nil {
				return err
			}
			if _, err := p.await(r, 0); err != nil {
				return err
			}
		}
	}
	p.trace.line(p.w.now, ".", "gives the jump to %s up", p.name(i))
	return nil
}

func (p *person) fullJump(word string, i int) []string {
	return append(append([]string{word}, spell(p.mouth[i].Tooth.Universal())...), p.mouth[i].Aspect.String())
}

// orient asks where the tool is, because a row ended where it should not, or did not where it should; if it is not at the
// next place, the person takes it there.
func (p *person) orient(i int, arch bool) error {
	if i+1 >= len(p.mouth) {
		return nil
	}
	p.trace.line(p.w.now, ".", "end of the row: %v for the tool, %v for the person", arch, !arch)
	r := p.rng("orient", i, p.res.Calls)
	words := []string{"say", "again", "all"}
	if p.canWhere {
		words = []string{"where"}
	}
	for range 2 {
		if err := p.say(r, "where is it?", words...); err != nil {
			return err
		}
		rep, err := p.await(r, 0)
		if err != nil {
			return err
		}
		if rep.where != nil {
			if j, _ := rep.where.names(p.mouth, i+1); j == i+1 {
				return nil
			}
			break
		}
	}
	return p.jump(i + 1)
}

// takeBack takes the last call back and says the place again.
func (p *person) takeBack(i int) error {
	r := p.rng("take back", i, 1)
	if err := p.say(r, "takes "+p.name(i)+" back", "disregard"); err != nil {
		return err
	}
	rep, err := p.await(r, 0)
	if err != nil {
		return err
	}
	if _, err := p.elsewhere(&rep, i, 1); err != nil { // the last call was an answer or a correction
		return err
	}
	if p.Habit == OneByOne { // the last call was the last number
		if err := p.say(r, p.name(i)+", the last number", spell(p.mouth[i].Depths[2])...); err != nil {
			return err
		}
		_, err := p.await(r, 1)
		return err
	}
	_, err = p.call(i, 1)
	return err
}

// happen is what comes between before place i.
func (p *person) happen(i int) error {
	if i == 0 {
		return nil
	}
	if r := p.rng("cough", i, 0); !p.NoCoughs && r.Float64() < coughShare {
		p.res.Happenings++
		p.trace.line(p.w.now, ".", "coughs")
		p.w.other.pcm = cough(r)
		if err := p.pass(ms(500)); err != nil {
			return err
		}
	}
	if r := p.rng("leave", i, 0); !p.NoLeaving && r.Float64() < leaveShare {
		p.res.Happenings++
		p.trace.line(p.w.now, ".", "is away for 25 s")
		if err := p.pass(ms(25000)); err != nil {
			return err
		}
	}
	if r := p.rng("away", i, 0); !p.NoJumps && i > 3 && r.Float64() < jumpShare {
		p.res.Happenings++
		j := r.IntN(i - 2)
		if err := p.jump(j); err != nil {
			return err
		}
		habit := p.Habit
		if habit == ByRow {
			p.Habit = ByPlace
		}
		_, err := p.call(j, 1)
		if p.Habit = habit; err != nil {
			return err
		}
		if err := p.jump(i); err != nil {
			return err
		}
	}
	if r := p.rng("stand by", i, 0); !p.NoStandBy && r.Float64() < standByShare {
		p.res.Happenings++
		return p.standBy(i, r)
	}
	return nil
}

// attend answers what was asked meanwhile.
func (p *person) attend(i int) error {
	var rep reply
	if p.hear(&rep); len(rep.asks) == 0 {
		return nil
	}
	_, err := p.answer(i, rep.asks[len(rep.asks)-1])
	return err
}

// chatter is talk that is not for the tool.
var chatter = sync.OnceValues(func() (recordings.Recording, error) { return recordings.Load("chatter") })

func (p *person) standBy(i int, r *rand.Rand) error {
	for try := range tries {
		if err := p.say(p.rng("stand by", i, 1+try), "talks to the patient", "stand", "by"); err != nil {
			return err
		}
		rep, err := p.await(r, 0)
		if err != nil {
			return err
		}
		if rep.done() || len(rep.words) > 0 {
			break
		}
		p.res.Again++
	}
	talk, err := chatter()
	if err != nil {
		return err
	}
	n := int(ms(10000 + 10000*r.Float64()))
	at := r.IntN(len(talk.PCM) - n)
	p.trace.line(p.w.now, ".", "talks for %.0f s", seconds(int64(n)))
	p.w.other.pcm = level(talk.PCM[at:at+n], voiceDB-2)
	if err := p.pass(int64(n) + ms(600)); err != nil {
		return err
	}
	return p.goAhead(i)
}

func (p *person) goAhead(i int) error {
	for try := range tries {
		r := p.rng("go ahead", i, try)
		if err := p.say(r, "goes on", "go", "ahead"); err != nil {
			return err
		}
		rep, err := p.await(r, 0)
		if err != nil {
			return err
		}
		if rep.done() || len(rep.words) > 0 {
			return nil
		}
		p.res.Again++
	}
	return nil
}

// finish ends the exam and answers what is asked then.
func (p *person) finish() error {
	p.ended = true
	last := len(p.mouth) - 1
	for try := range tries {
		r := p.rng("complete", 0, try)
		if err := p.say(r, "the end", "exam", "complete"); err != nil {
			return err
		}
		rep, err := p.await(r, 0)
		if err != nil {
			return err
		}
		if len(rep.asks) > 0 {
			if _, err := p.answer(last, rep.asks[len(rep.asks)-1]); err != nil {
				return err
			}
			break
		}
		if rep.done() || len(rep.words) > 0 {
			break
		}
		p.res.Again++
	}
	for end := p.w.now + 60*speech.Rate; p.w.now < end && p.w.now < p.happened+8*speech.Rate; {
		var rep reply
		p.hear(&rep)
		if len(rep.asks) > 0 && !p.w.page.speaking() {
			if _, err := p.answer(last, rep.asks[len(rep.asks)-1]); err != nil {
				return err
			}
			continue
		}
		if err := p.step(); err != nil {
			return err
		}
	}
	return nil
}

// cough is two bursts of noise, each loud at once and gone in a quarter of a second.
func cough(r *rand.Rand) []int16 {
	var out []int16
	for range 1 + r.IntN(2) {
		amp, was := math.Pow(10, (voiceDB+4*r.Float64())/20)*math.MaxInt16, 0.0
		n := int(ms(150 + 150*r.Float64()))
		for i := range n {
			was = 0.6*was + r.NormFloat64()
			rise := min(1, float64(i)/160)
			out = append(out, clip(amp*rise*was*math.Exp(-5*float64(i)/float64(n))))
		}
		out = append(out, make([]int16, ms(80))...)
	}
	return out
}
