package chart

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// Verb says what an Act, and so a call, does.
type Verb string

const (
	VerbSoundings  Verb = "soundings"   // Numbers: the next soundings along the path
	VerbAll        Verb = "all"         // Numbers[0] at every site of the current aspect
	VerbSite       Verb = "site"        // Where, Numbers: named sites of the aspect worked on
	VerbFlag       Verb = "flag"        // Flag, Value, and Where or Whole; neither: the last sounding
	VerbMargin     Verb = "margin"      // Numbers (recession, negative when coronal), Where if named
	VerbMobility   Verb = "mobility"    // Grade
	VerbFurcation  Verb = "furcation"   // Grade, Entrance if named, Number: mm from its roof down if said
	VerbKeratin    Verb = "keratinized" // Number: width of the keratinized gingiva, mm
	VerbGo         Verb = "go"          // Tooth and, if HasAspect, Aspect
	VerbAspect     Verb = "aspect"      // Aspect of the current tooth
	VerbPresence   Verb = "presence"    // Presence of Teeth, or of the current tooth
	VerbNext       Verb = "next"        // to the next place
	VerbBack       Verb = "back"        // to the place before
	VerbSkip       Verb = "skip"        // leave one site unrecorded
	VerbCorrection Verb = "correction"  // Numbers replace the last readings
	VerbDisregard  Verb = "disregard"   // take back the last call
	VerbSayAgain   Verb = "say again"   // read back; Whole: the whole tooth and the place
	VerbStandBy    Verb = "stand by"
	VerbGoAhead    Verb = "go ahead"
	VerbAffirm     Verb = "affirm"
	VerbNegative   Verb = "negative"
	VerbRemark     Verb = "remark"        // Text beside the place
	VerbComplete   Verb = "exam complete" // to the completeness check
	VerbHelp       Verb = "help"
	VerbWhere      Verb = "where"
	VerbPath       Verb = "path"    // Text: Ref of the path to walk from here
	VerbTherapy    Verb = "therapy" // Therapy: what was done today; its place by Teeth, Where and Aspect if teeth were named
	VerbPass       Verb = "pass"    // Field: numbers are depths (FieldDepth) or margins (FieldRecession), from the start of the path

	// From the screen only.
	VerbSet       Verb = "set"     // Ref, Field, Number or none: one value, wherever it is
	VerbSettle    Verb = "settle"  // Ref: the doubt there is settled
	VerbPatient   Verb = "patient" // Text: JSON of patient inputs
	VerbRest      Verb = "rest"    // Field: probed sites without an answer get Number (bleeding by exception, margin at the CEJ)
	VerbPlan      Verb = "plan"    // Text: JSON of the clinician's Plan, Was: Call of the decision seen, "" none
	VerbSign      Verb = "sign"
	VerbCosign    Verb = "co-sign"
	VerbAmend     Verb = "amend"     // Text: the reason; the acts behind it change what was signed
	VerbVoid      Verb = "void"      // Text: the reason; the exam counts no more
	VerbReinstate Verb = "reinstate" // Text: the reason; a void exam counts again
	VerbOwner     Verb = "move exam" // Text: the reason, Patient: to whom
	VerbStart     Verb = "start"
)

// Act is one thing to do. Which fields count depends on Verb.
type Act struct {
	Verb      Verb       `json:"verb"`
	Numbers   []MM       `json:"numbers,omitempty"`
	Where     []Where    `json:"where,omitempty"`
	Whole     bool       `json:"whole,omitempty"`
	Flag      Flag       `json:"flag,omitempty"`
	Value     YesNo      `json:"value,omitempty"`
	Grade     int        `json:"grade,omitempty"`
	Entrance  *Entrance  `json:"entrance,omitempty"`
	Tooth     Tooth      `json:"tooth,omitempty"`
	Teeth     Teeth      `json:"teeth,omitempty"`
	Aspect    Aspect     `json:"aspect"`
	HasAspect bool       `json:"has_aspect,omitempty"`
	Presence  Presence   `json:"presence,omitempty"`
	Ref       *SiteRef   `json:"ref,omitempty"`
	Field     Field      `json:"field,omitempty"`
	Number    *MM        `json:"number,omitempty"`
	Text      string     `json:"text,omitempty"`
	Patient   string     `json:"patient,omitempty"`
	Therapy   *Treatment `json:"therapy,omitempty"`
	// What Text says where it is JSON, or why it says nothing; chartfile.Read fills them in.
	Change *Change `json:"-"`
	Plan   *Plan   `json:"-"`
	Unread error   `json:"-"`
	// Was is what the sender saw when it decided, so that two people at two screens cannot
	// overwrite each other unseen: for VerbSet the value that stood there ("" not recorded, "3.5",
	// flags "0" or "1"), for VerbDisregard the Seq of the call to take back. If the log says
	// something else by now the act is refused. For VerbSoundings the same is done by Ref, the site
	// where the first number belongs.
	Was *string `json:"was,omitempty"`
	// Calls are the calls that VerbDisregard takes back, whatever came after them; none: the last one.
	Calls []uint64 `json:"calls,omitempty"`
}

// Command is what one call asks for: its acts are done together or not at all.
type Command struct {
	Acts []Act `json:"acts"`
}

// Verb is the verb of the act that matters most: the last one that is not a mere change of place, or that of an amendment.
func (c Command) Verb() Verb {
	var v Verb
	if len(c.Acts) > 0 && c.Acts[0].Verb == VerbAmend {
		return VerbAmend
	}
	for _, a := range c.Acts {
		if v == "" || a.Verb != VerbGo && a.Verb != VerbAspect {
			v = a.Verb
		}
	}
	return v
}

// Meta says where a command came from. Everything the core cannot know comes in here.
type Meta struct {
	Time       int64 // Unix milliseconds
	Source     Source
	Person     string // see Event.Person
	Who        string
	Student    bool   // what the person signs waits for a co-signature
	Patient    string // whose exam is begun
	ID         string // see Event.ID
	Words      string
	Confidence float64
	StartMS    int64
	EndMS      int64
}

// Refusal is the answer to a command that was understood and cannot be done. Nothing has changed.
type Refusal struct {
	Text string // for people: what, where, what to do
}

func (r *Refusal) Error() string { return r.Text }

func refuse(format string, a ...any) error { return &Refusal{fmt.Sprintf(format, a...)} }

// Start makes the first events of an exam. present gives the presence of teeth known from before (an
// earlier exam, a list); it may be nil.
func Start(n Numbering, path string, at *Place, present map[Tooth]Presence, m Meta) ([]Event, error) {
	p, err := PathNamed(path)
	if err != nil {
		return nil, err
	}
	m.Source = Tool
	b := builder{st: NewState(), meta: m}
	b.open(VerbStart, "")
	b.emit(Event{Kind: KindStart, Numbering: n, Path: p.Ref, Patient: m.Patient})
	for _, t := range AllTeeth() {
		if pr, ok := present[t]; ok && pr != b.st.Chart.Tooth(t).Presence {
			b.tooth(t, FieldPresence, int(pr))
		}
	}
	b.leaveGaps()
	if at != nil {
		if b.st.Path.index(*at) < 0 {
			return nil, refuse("%s is not on the path %s", at, p.Name)
		}
		b.jump(*at)
	}
	return b.out, b.err
}

// Do works out the events of a command without applying them. It fails with *Refusal if the command
// cannot be done; the events returned then hold the refused call alone, for the log. All other
// errors are ErrSigned, ErrVoid and *RangeError, likewise with the refused call.
func (s *State) Do(c Command, m Meta) ([]Event, error) {
	b := builder{st: s.clone(), meta: m}
	b.open(c.Verb(), "")
	home := s.Place
	homeNext, homeEnd := s.Next, s.AtEnd()
	for i, a := range c.Acts {
		if s.Place.Tooth == 0 {
			b.err = refuse("the exam was not started")
		} else if b.err == nil {
			if b.err = s.open(c, i); b.err == nil {
				b.act(a)
			}
		}
		// A correction at a distance ("tooth eleven buccal correction four") comes back to the place.
		if a.Verb == VerbCorrection && i > 0 && b.err == nil && b.st.Place != home {
			b.emit(Event{Kind: KindMove, Tooth: home.Tooth, Aspect: home.Aspect, Next: homeNext, End: homeEnd})
		}
	}
	if b.err != nil {
		return s.Refused(c.Verb(), b.err, m), b.err
	}
	return b.out, nil
}

// Refused makes the event of a call that was understood and not done.
func (s *State) Refused(v Verb, cause error, m Meta) []Event {
	b := builder{st: s.clone(), meta: m}
	b.open(v, cause.Error())
	return b.out
}

// clone copies what Do may change; log and calls are shared up to their length.
func (s *State) clone() *State {
	c := *s
	c.log = s.log[:len(s.log):len(s.log)]
	c.Calls = s.Calls[:len(s.Calls):len(s.Calls)]
	if n := len(c.Calls); n > 0 {
		// fold marks the last call as having effects: give that entry a place of its own.
		c.Calls = append(c.Calls[:n-1:n-1], c.Calls[n-1])
	}
	c.Plans = s.Plans[:len(s.Plans):len(s.Plans)]
	c.Signatures = s.Signatures[:len(s.Signatures):len(s.Signatures)]
	c.Amendments = s.Amendments[:len(s.Amendments):len(s.Amendments)]
	c.Recent = append([]Reading(nil), s.Recent...)
	c.Doubts = make(map[SiteRef]Doubt, len(s.Doubts))
	for k, v := range s.Doubts {
		c.Doubts[k] = v
	}
	c.undone = make(map[uint64]bool, len(s.undone))
	for k := range s.undone {
		c.undone[k] = true
	}
	c.ids = make(map[string]bool, 1) // only written to while working out a command
	return &c
}

// builder collects the events of one call while applying them to a scratch state, so that each act
// sees what the former ones did.
type builder struct {
	st   *State
	meta Meta
	call uint64
	out  []Event
	err  error
	// What the numbers of this call have run into; see sounding.
	began struct {
		place Place
		whole bool // they began at its first site
	}
	leapt bool // the place they have come to does not follow where they began
}

func (b *builder) open(v Verb, refused string) {
	b.call = b.st.Seq() + 1
	m := b.meta
	b.emit(Event{Kind: KindCall, Source: m.Source, Who: m.Who, ID: m.ID, Words: m.Words, Confidence: m.Confidence,
		StartMS: m.StartMS, EndMS: m.EndMS, Did: v, Refused: refused})
}

func (b *builder) emit(e Event) {
	if b.err != nil {
		return
	}
	e.Seq, e.Call, e.Time, e.Person = b.st.Seq()+1, b.call, b.meta.Time, b.meta.Person
	if b.err = b.st.Apply(e); b.err == nil {
		b.out = append(b.out, e)
	}
}

func (b *builder) tooth(t Tooth, f Field, v int) {
	b.emit(Event{Kind: KindTooth, Tooth: t, Field: f, Value: &v})
}

func (b *builder) set(r SiteRef, f Field, v *int, sounding bool) {
	b.emit(Event{Kind: KindSet, Tooth: r.Tooth, Site: &r.Site, Field: f, Value: v, Sounding: sounding})
}

func (b *builder) jump(p Place) {
	b.leapt, b.began.place = false, Place{}
	at := b.st.Path.At(p)
	b.emit(Event{Kind: KindMove, Tooth: p.Tooth, Aspect: p.Aspect, Next: at.First(), Jump: true})
}

// label writes a place in the exam's numbering.
func (b *builder) label(t Tooth) string { return t.Label(b.st.Chart.Numbering) }

// advance moves the place past the site just used.
func (b *builder) advance(jump bool) {
	p, i := b.st.Place, b.st.Next
	to, rest := b.moveOn(i, jump)
	if jump {
		b.leapt, b.began.place = false, Place{}
	} else if rest {
		b.leapt = b.leapt || !b.st.Straight(p, i) || to != p && !b.began.whole
	}
}

// leave goes from the place to the one that comes then, or to the end of the path.
func (b *builder) leave() {
	b.leapt, b.began.place = false, Place{}
	b.moveOn(3, true)
}

// moveOn moves the place to where the numbers go after its i-th site.
func (b *builder) moveOn(i int, jump bool) (to Place, rest bool) {
	to, next, rest, ok := b.st.onward(i)
	b.emit(Event{Kind: KindMove, Tooth: to.Tooth, Aspect: to.Aspect, Next: next, End: !ok, Jump: jump, Rest: rest})
	return to, rest
}

// sounding checks that the next number has a site. Numbers of one call stand in sites that follow each other: they do not
// run from one site that was left out to another, since it is likelier then that one of them was heard twice.
func (b *builder) sounding(n, of int) bool {
	st := b.st
	if b.began.place == (Place{}) {
		at := st.Path.At(st.Place)
		b.began.place, b.began.whole = st.Place, st.Next == at.First()
	}
	switch {
	case b.err != nil:
	case st.AtEnd() && n == 0:
		b.err = refuse("the path is at its end: say a tooth first, or exam complete")
	case st.AtEnd():
		b.err = refuse("only %d soundings were left on the path, %d were called: nothing was entered", n, of)
	case b.leapt:
		b.err = refuse("too many numbers for %s %s, the next place is %s %s: nothing was entered", b.label(b.began.place.Tooth), b.began.place.Aspect,
			b.label(st.Place.Tooth), st.Place.Aspect)
	default:
		return b.probed(st.Place.Tooth)
	}
	return false
}

// takeUp finds the place after a change of path or pass: where the exam stood, if the path goes on there,
// else, or from the start, the first site without a number.
func (b *builder) takeUp(fromStart bool) {
	st := b.st
	if b.err != nil {
		return
	}
	if i := st.Path.index(st.Place); !fromStart && i >= 0 {
		if st.Path.Steps[i].Off[st.Next] {
			b.jump(st.Place)
		}
		return
	}
	if p, i, ok := st.gap(0, Place{}); ok {
		b.emit(Event{Kind: KindMove, Tooth: p.Tooth, Aspect: p.Aspect, Next: i, Jump: true})
	} else if !st.AtEnd() {
		b.emit(Event{Kind: KindMove, Tooth: st.Place.Tooth, Aspect: st.Place.Aspect, Next: 2, End: true, Jump: true})
	}
}

// leaveGaps moves on if the tooth under the place is not there to be probed.
func (b *builder) leaveGaps() {
	p := b.st.Place
	if b.err != nil || b.st.AtEnd() || b.st.Chart.Tooth(p.Tooth).Presence.Probed() {
		return
	}
	b.leave()
}

// depth and recession check a reading and give its value in half-millimetres.
func (b *builder) value(r SiteRef, f Field, m MM) *int {
	min, max := 0, MaxDepth
	if f == FieldRecession {
		min, max = MinRecession, MaxRecession
	}
	if !m.Known() {
		return nil
	}
	h := m.Half()
	if h < 2*min || h > 2*max {
		b.err = &RangeError{At: fmt.Sprintf("%s.%s %s", b.label(r.Tooth), r.Site, f), Got: m.Float(), Min: float64(min), Max: float64(max), Unit: " mm"}
	}
	return &h
}

func (b *builder) sound(r SiteRef, f Field, m MM) {
	if v := b.value(r, f, m); b.err == nil {
		b.set(r, f, v, true)
	}
}

// probed refuses if the tooth is not there to be probed.
func (b *builder) probed(t Tooth) bool {
	if pr := b.st.Chart.Tooth(t).Presence; !pr.Probed() {
		if b.err == nil {
			b.err = refuse("tooth %s is %s: say present first", b.label(t), pr)
		}
		return false
	}
	return true
}

// acts says what becomes of an act, by its verb. Verbs with nothing are answers of the exam: nothing for the chart.
var acts = map[Verb]func(*builder, Act){
	VerbSoundings:  (*builder).soundings,
	VerbAll:        (*builder).all,
	VerbSite:       func(b *builder, a Act) { b.named(a, b.st.Pass) },
	VerbMargin:     (*builder).margin,
	VerbCorrection: (*builder).correction,
	VerbFlag:       (*builder).flag,
	VerbMobility:   (*builder).mobility,
	VerbFurcation:  (*builder).furcation,
	VerbKeratin: func(b *builder, a Act) {
		b.length(b.st.Focus.Tooth, Act{Field: FieldKeratin, Number: a.Number}, MaxDepth)
	},
	VerbGo:        (*builder).goTo,
	VerbAspect:    func(b *builder, a Act) { b.jump(Place{b.st.Place.Tooth, a.Aspect}) },
	VerbPresence:  (*builder).presence,
	VerbNext:      (*builder).next,
	VerbBack:      (*builder).back,
	VerbSkip:      (*builder).skip,
	VerbDisregard: (*builder).disregard,
	VerbStandBy:   func(b *builder, a Act) { b.emit(Event{Kind: KindListen, Value: new(int)}) },
	VerbGoAhead:   func(b *builder, a Act) { one := 1; b.emit(Event{Kind: KindListen, Value: &one}) },
	VerbRemark:    (*builder).remark,
	VerbSayAgain:  nil,
	VerbHelp:      nil,
	VerbWhere:     nil,
	VerbAffirm:    nil,
	VerbNegative:  nil,
	VerbComplete:  func(b *builder, a Act) { b.emit(Event{Kind: KindComplete}) },
	VerbSet:       (*builder).setOne,
	VerbPath:      (*builder).path,
	VerbPass:      (*builder).pass,
	VerbSettle:    (*builder).settle,
	VerbPatient: func(b *builder, a Act) {
		if b.read(a, a.Change != nil) {
			b.emit(Event{Kind: KindPatient, Text: a.Text, Change: a.Change})
		}
	},
	VerbRest:      (*builder).rest,
	VerbPlan:      (*builder).plan,
	VerbTherapy:   (*builder).therapy,
	VerbSign:      (*builder).stand,
	VerbCosign:    (*builder).stand,
	VerbAmend:     (*builder).stand,
	VerbVoid:      (*builder).stand,
	VerbReinstate: (*builder).stand,
	VerbOwner:     (*builder).stand,
}

func (b *builder) act(a Act) {
	do, is := acts[a.Verb]
	if !is {
		b.err = refuse("%q is nothing that can be done", a.Verb)
	} else if do != nil {
		do(b, a)
	}
}

// soundings enters numbers one after the other along the path.
func (b *builder) soundings(a Act) {
	st := b.st
	if a.Ref != nil && !st.AtEnd() && *a.Ref != (SiteRef{st.Place.Tooth, st.Path.Sites(st.Place)[st.Next]}) {
		b.err = refuse("the place moved on to %s %s meanwhile: nothing was entered at %s %s",
			b.label(st.Place.Tooth), st.Place.Aspect, b.label(a.Ref.Tooth), a.Ref.Site)
		return
	}
	for i, m := range a.Numbers {
		if !b.sounding(i, len(a.Numbers)) {
			return
		}
		b.sound(SiteRef{st.Place.Tooth, st.Path.Sites(st.Place)[st.Next]}, st.Pass, m)
		b.advance(false)
	}
}

// all enters one number at every site of the place.
func (b *builder) all(a Act) {
	if !b.sounding(0, 1) {
		return
	}
	p := b.st.Place
	for _, site := range b.st.Path.Sites(p) {
		b.sound(SiteRef{p.Tooth, site}, b.st.Pass, a.Numbers[0])
	}
	b.emit(Event{Kind: KindMove, Tooth: p.Tooth, Aspect: p.Aspect, Next: 2})
	b.advance(false)
}

func (b *builder) mobility(a Act) {
	t := b.st.Focus.Tooth
	if a.Grade < 0 || a.Grade > MaxMobility {
		b.err = &RangeError{At: b.label(t) + " mobility", Got: float64(a.Grade), Max: MaxMobility}
	} else if b.probed(t) {
		b.tooth(t, FieldMobility, a.Grade)
	}
}

func (b *builder) goTo(a Act) {
	p := Place{a.Tooth, b.st.Place.Aspect}
	if a.HasAspect {
		p.Aspect = a.Aspect
	}
	if !a.Tooth.Valid() || a.Tooth.Primary() {
		b.err = refuse("tooth %s is not on the path", b.label(a.Tooth))
		return
	}
	b.jump(p)
}

func (b *builder) next(Act) {
	st := b.st
	if p, i, ok := st.gap(0, Place{}); st.AtEnd() && ok {
		b.emit(Event{Kind: KindMove, Tooth: p.Tooth, Aspect: p.Aspect, Next: i, Jump: true, Rest: true})
	} else if _, ok := st.Then(); ok {
		b.leave()
	} else {
		b.err = refuse("there is no place after %s on the path", b.label(st.Place.Tooth))
	}
}

func (b *builder) back(Act) {
	st := b.st
	if p, ok := st.Before(st.Place); st.AtEnd() {
		b.jump(st.Place)
	} else if ok {
		b.jump(p)
	} else {
		b.err = refuse("there is no place before %s on the path", b.label(st.Place.Tooth))
	}
}

func (b *builder) skip(Act) {
	if b.st.AtEnd() {
		b.err = refuse("the path is at its end")
		return
	}
	b.advance(true)
}

// disregard takes back the calls that are named, or the last one.
func (b *builder) disregard(a Act) {
	if len(a.Calls) > 0 {
		b.takeBack(a.Calls)
		return
	}
	by := b.meta.Source
	if by == Keyboard {
		by = ""
	}
	last, ok := b.st.LastCall(by)
	if !ok {
		b.err = refuse("there is nothing to take back")
		return
	}
	if a.Was != nil && *a.Was != strconv.FormatUint(last.Seq, 10) {
		b.err = refuse("another call came in meanwhile: nothing was taken back")
		return
	}
	b.emit(Event{Kind: KindUndo, Undo: last.Seq})
}

func (b *builder) remark(a Act) {
	if a.Text != "" {
		b.emit(Event{Kind: KindRemark, Tooth: b.st.Focus.Tooth, Aspect: b.st.Focus.Aspect, Text: a.Text, Who: b.meta.Who})
	}
}

func (b *builder) path(a Act) {
	p, err := PathNamed(a.Text)
	if err != nil {
		b.err = refuse("%s", err)
		return
	}
	atEnd := b.st.AtEnd()
	b.emit(Event{Kind: KindPath, Path: p.Ref})
	b.takeUp(atEnd)
}

func (b *builder) pass(a Act) {
	if a.Field != FieldDepth && a.Field != FieldRecession {
		b.err = refuse("a pass is of depths or of margins, not of %q", a.Field)
		return
	}
	b.emit(Event{Kind: KindPass, Field: a.Field})
	b.takeUp(true)
}

func (b *builder) settle(a Act) {
	if a.Ref == nil || !a.Ref.Tooth.Valid() || a.Ref.Site >= NumSites {
		b.err = refuse("no site named")
	} else if _, ok := b.st.Doubts[*a.Ref]; !ok {
		b.err = refuse("there is no doubt at %s %s", b.label(a.Ref.Tooth), a.Ref.Site)
	} else {
		b.emit(Event{Kind: KindSettle, Tooth: a.Ref.Tooth, Site: &a.Ref.Site})
	}
}

// read refuses an act whose text says nothing.
func (b *builder) read(a Act, says bool) bool {
	switch {
	case a.Unread != nil:
		b.err = refuse("%v", a.Unread)
	case !says:
		b.err = refuse("the text of %q was not read", a.Verb)
	}
	return b.err == nil
}

// sitesAt gives the sites of the aspect worked on that were named, in the order named.
func (b *builder) sitesAt(ws []Where) []SiteRef {
	var out []SiteRef
	for _, w := range ws {
		out = append(out, SiteRef{b.st.Focus.Tooth, SiteAt(b.st.Focus.Aspect, w)})
	}
	return out
}

// named sets named sites without moving the place; one number serves one site each, and a single
// number serves all the sites named.
func (b *builder) named(a Act, f Field) {
	if !b.probed(b.st.Focus.Tooth) {
		return
	}
	refs := b.sitesAt(a.Where)
	if len(a.Numbers) != 1 && len(a.Numbers) != len(refs) {
		b.err = refuse("%d sites were named and %d numbers called", len(refs), len(a.Numbers))
		return
	}
	for i, r := range refs {
		m := a.Numbers[0]
		if len(a.Numbers) > 1 {
			m = a.Numbers[i]
		}
		b.sound(r, f, m)
	}
	b.filled()
}

// filled moves on if the place was begun and nothing is missing there any more: what was named, corrected or typed has filled it.
func (b *builder) filled() {
	st := b.st
	if at := st.Path.At(st.Place); b.err == nil && !st.AtEnd() && (st.Rest() || st.Next != at.First()) && !st.lacks(at) {
		b.advancePast()
	}
}

// advancePast moves the place on as if its last site had just been sounded.
func (b *builder) advancePast() {
	p := b.st.Place
	if to, rest := b.moveOn(3, false); rest {
		b.leapt = b.leapt || !b.st.Straight(p, 2) || to != p && !b.began.whole
	}
}

// takeBack takes calls back, whatever came after them.
func (b *builder) takeBack(calls []uint64) {
	for _, call := range calls {
		i := slices.IndexFunc(b.st.Calls, func(c CallInfo) bool { return c.Seq == call })
		if i < 0 || b.st.Calls[i].Undone || !b.st.Calls[i].Effects {
			b.err = refuse("there is no such call to take back")
			return
		}
		b.emit(Event{Kind: KindUndo, Undo: call})
	}
}

func (b *builder) margin(a Act) {
	st := b.st
	if len(a.Where) > 0 {
		b.named(a, FieldRecession)
		return
	}
	if !b.probed(st.Focus.Tooth) {
		return
	}
	if a.Whole {
		for _, site := range st.Path.Sites(st.Focus) {
			b.sound(SiteRef{st.Focus.Tooth, site}, FieldRecession, a.Numbers[0])
		}
		return
	}
	switch n := len(a.Numbers); {
	case n == 3:
		for i, site := range st.Path.Sites(st.Focus) {
			b.sound(SiteRef{st.Focus.Tooth, site}, FieldRecession, a.Numbers[i])
		}
	case n == 0 || n > 3:
		b.err = refuse("a margin takes one number for the last sounding or three for the aspect, %d were called", n)
	default:
		refs := b.lastSites(n)
		if refs == nil {
			b.err = refuse("nothing was sounded here yet: name the site, or call three margins")
			return
		}
		for i, r := range refs {
			b.sound(r, FieldRecession, a.Numbers[i])
		}
	}
}

// lastSites gives the last n different sites that were sounded, oldest first, or nil.
func (b *builder) lastSites(n int) []SiteRef {
	var out []SiteRef
	for i := len(b.st.Recent) - 1; i >= 0 && len(out) < n; i-- {
		r := b.st.Recent[i].SiteRef
		dup := false
		for _, o := range out {
			dup = dup || o == r
		}
		if !dup {
			out = append([]SiteRef{r}, out...)
		}
	}
	if len(out) < n {
		return nil
	}
	return out
}

// correction replaces readings of the place spoken last, never those of another: as many numbers as it has sites replace all,
// fewer the last ones called there. Where the place was just asked for and nothing was called, they count from its first site.
func (b *builder) correction(a Act) {
	st := b.st
	if len(a.Where) > 0 {
		b.named(a, st.Pass)
		return
	}
	field, place := st.Pass, st.Focus
	if n := len(st.Recent); n > 0 {
		last := st.Recent[n-1]
		field, place = last.Field, last.Place()
	}
	if !b.probed(place.Tooth) {
		return
	}
	where := fmt.Sprintf("%s %s", b.label(place.Tooth), place.Aspect)
	var sites, called []SiteRef // those walked, and those of them that were called, in their order
	at := st.Path.At(place)
	for i := at.First(); i < 3; i = at.next(i) {
		sites = append(sites, SiteRef{place.Tooth, at.Sites[i]})
	}
	for _, r := range st.Recent {
		if r.Field == field && slices.Contains(sites, r.SiteRef) {
			called = append(called, r.SiteRef)
		}
	}
	n := len(a.Numbers)
	switch {
	case a.Whole:
		for _, r := range sites {
			b.sound(r, field, a.Numbers[0])
		}
	case n > len(sites):
		b.err = refuse("%s has %d sites, %d numbers were called: nothing was changed", where, len(sites), n)
	case n == len(sites) && len(st.Recent) > 0, len(st.Recent) == 0:
		if !slices.ContainsFunc(sites, func(r SiteRef) bool { return b.st.Chart.Number(r, field).Known() }) {
			b.err = refuse("nothing is recorded at %s to correct", where)
			return
		}
		for i, m := range a.Numbers {
			b.sound(sites[i], field, m)
		}
	case n > len(called):
		b.err = refuse("%d numbers were called, %s has %d to correct: nothing was changed", n, where, len(called))
	default:
		for i, m := range a.Numbers {
			b.sound(called[len(called)-n+i], field, m)
		}
	}
	b.filled()
}

func (b *builder) flag(a Act) {
	if !b.probed(b.st.Focus.Tooth) {
		return
	}
	refs := b.sitesAt(a.Where)
	if a.Whole {
		for _, site := range b.st.Path.Sites(b.st.Focus) {
			refs = append(refs, SiteRef{b.st.Focus.Tooth, site})
		}
	} else if len(a.Where) == 0 {
		refs = b.lastSites(1)
		if refs == nil {
			b.err = refuse("nothing was sounded here yet: say %s with mesial, mid, distal or all", a.Flag)
			return
		}
	}
	v := 0
	if a.Value == Yes {
		v = 1
	}
	for _, r := range refs {
		b.set(r, FieldOf(a.Flag), &v, false)
	}
}

func (b *builder) furcation(a Act) {
	t := b.st.Focus.Tooth
	if !b.probed(t) {
		return
	}
	if b.st.Chart.Tooth(t).Presence == Implant {
		b.err = refuse("tooth %s is an implant: it has no furcation", b.label(t))
		return
	}
	can := t.Entrances()
	if len(can) == 0 {
		b.err = refuse("tooth %s has no furcation", b.label(t))
		return
	}
	want := EntranceBuccal
	if a.Entrance != nil {
		want = *a.Entrance
	} else if b.st.Focus.Aspect == Lingual {
		want = EntranceLingual
	}
	names := make([]string, len(can))
	ok := false
	for i, e := range can {
		names[i] = e.Name()
		ok = ok || e == want
	}
	list := strings.Join(names, " or ")
	switch {
	case !ok && a.Entrance == nil:
		b.err = refuse("which furcation of tooth %s: %s?", b.label(t), list)
	case !ok:
		b.err = refuse("tooth %s has no %s furcation, only %s", b.label(t), want.Name(), list)
	case a.Grade < 0 || a.Grade > MaxFurcation:
		b.err = &RangeError{At: b.label(t) + " furcation", Got: float64(a.Grade), Max: MaxFurcation}
	default:
		b.tooth(t, FurcationField(want), a.Grade)
		if a.Number != nil {
			b.length(t, Act{Field: VerticalField(want), Number: a.Number}, MaxDepth)
		}
	}
}

func (b *builder) presence(a Act) {
	teeth := a.Teeth
	if len(teeth) == 0 {
		teeth = []Tooth{b.st.Place.Tooth}
	}
	for _, t := range teeth {
		if !t.Valid() || t.Primary() {
			b.err = refuse("tooth %s is not a permanent tooth", t)
			return
		}
		rec := b.st.Chart.Tooth(t)
		if !a.Presence.Probed() && rec.Sites != [NumSites]SiteRecord{} {
			b.err = refuse("tooth %s has soundings: take them back before calling it %s", b.label(t), a.Presence)
			return
		}
		if a.Presence == Implant && (rec.Furcation != [entrances]Grade{} || rec.Vertical != [entrances]MM{}) {
			b.err = refuse("tooth %s has a furcation: clear it before calling it an implant", b.label(t))
			return
		}
		b.tooth(t, FieldPresence, int(a.Presence))
	}
	b.leaveGaps()
}

// asSeen refuses a VerbSet whose sender saw another value than the one that stands there now.
func (b *builder) asSeen(a Act, r SiteRef) bool {
	if a.Was == nil {
		return true
	}
	t, is := b.st.Chart.Tooth(r.Tooth), ""
	grade := func(g Grade) string {
		if !g.Recorded() {
			return ""
		}
		return strconv.Itoa(g.Value())
	}
	length := func(m MM) string {
		if !m.Known() {
			return ""
		}
		return m.String()
	}
	what := a.Field.Words()
	f, isFlag := FlagOf(a.Field)
	e, isFurcation := entranceOf(a.Field)
	v, isVertical := verticalOf(a.Field)
	switch {
	case a.Field == FieldPresence:
		is = strconv.Itoa(int(t.Presence))
	case a.Field == FieldMobility:
		is = grade(t.Mobility)
	case isFurcation:
		is = grade(t.Furcation[e])
	case isVertical:
		is = length(t.Vertical[v])
	case a.Field == FieldKeratin:
		is = length(t.Keratin)
	case r.Site >= NumSites:
		return true // refused for that by setOne
	case a.Field == FieldDepth:
		is, what = length(t.Sites[r.Site].Depth), r.Site.String()
	case a.Field == FieldAgain:
		is, what = length(t.Sites[r.Site].Again), r.Site.String()+" probed again"
	case a.Field == FieldRecession:
		is, what = length(t.Sites[r.Site].Recession), r.Site.String()+" recession"
	case isFlag:
		what = r.Site.String() + " " + what
		if y := t.Sites[r.Site].Flags[f]; y.Recorded() {
			is = strconv.Itoa(int(y) - int(No))
		}
	}
	if is == *a.Was {
		return true
	}
	if is == "" {
		is = "not recorded"
	}
	b.err = refuse("%s %s was changed meanwhile, it is %s now: nothing was entered", b.label(r.Tooth), what, is)
	return false
}

func (b *builder) setOne(a Act) {
	if a.Ref == nil || !a.Ref.Tooth.Valid() {
		b.err = refuse("no tooth named")
		return
	}
	r := *a.Ref
	if !b.asSeen(a, r) {
		return
	}
	_, isFlag := FlagOf(a.Field)
	ofSite := isFlag || a.Field == FieldDepth || a.Field == FieldRecession || a.Field == FieldAgain
	switch {
	case ofSite && r.Site >= NumSites:
		b.err = refuse("no site named")
	case isFlag:
		if g := b.grade(a, 1, string(a.Field)); b.err == nil && b.probed(r.Tooth) {
			b.set(r, a.Field, g, false)
		}
	case ofSite:
		b.setNumber(a, r)
	case a.Field == FieldPresence:
		n := -1
		if a.Number != nil && a.Number.Half()%2 == 0 {
			n = a.Number.Half() / 2
		}
		if n < int(Present) || n > int(Unerupted) {
			b.err = refuse("tooth %s: no such state", b.label(r.Tooth))
			return
		}
		b.presence(Act{Teeth: []Tooth{r.Tooth}, Presence: Presence(n)})
	case a.Field == FieldMobility:
		b.setGrade(a, MaxMobility, "mobility")
	case a.Field == FieldKeratin:
		b.length(r.Tooth, a, MaxDepth)
	default:
		b.setFurcation(a)
	}
}

// setNumber sets a depth or a margin.
func (b *builder) setNumber(a Act, r SiteRef) {
	if !b.probed(r.Tooth) {
		return
	}
	var m MM
	if a.Number != nil {
		m = *a.Number
	}
	if h := b.value(r, a.Field, m); b.err == nil {
		b.set(r, a.Field, h, false)
		if m.Known() && a.Field == b.st.Pass && r.Place() == b.st.Place {
			b.filled()
		}
	}
}

// grade is the number of an act as a grade from 0 to max; nil: none.
func (b *builder) grade(a Act, max int, what string) *int {
	if a.Number == nil || !a.Number.Known() {
		return nil
	}
	h := a.Number.Half()
	g := h / 2
	if h%2 != 0 || g < 0 || g > max {
		b.err = &RangeError{At: b.label(a.Ref.Tooth) + " " + what, Got: a.Number.Float(), Max: float64(max)}
	}
	return &g
}

func (b *builder) setGrade(a Act, max int, what string) {
	if g := b.grade(a, max, what); b.err == nil && b.probed(a.Ref.Tooth) {
		b.emit(Event{Kind: KindTooth, Tooth: a.Ref.Tooth, Field: a.Field, Value: g})
	}
}

func (b *builder) setFurcation(a Act) {
	e, ok := entranceOf(a.Field)
	v, vertical := verticalOf(a.Field)
	if vertical {
		e, ok = v, true
	}
	if !ok || !slices.Contains(a.Ref.Tooth.Entrances(), e) {
		b.err = refuse("tooth %s: no %s can be recorded", b.label(a.Ref.Tooth), a.Field.Words())
		return
	}
	if vertical {
		b.length(a.Ref.Tooth, a, MaxDepth)
		return
	}
	b.setGrade(a, MaxFurcation, "furcation")
}

// length enters a length of a whole tooth, or takes it back.
func (b *builder) length(t Tooth, a Act, max int) {
	var v *int
	if a.Number != nil && a.Number.Known() {
		h := a.Number.Half()
		if v = &h; h < 0 || h > 2*max {
			b.err = &RangeError{At: b.label(t) + " " + a.Field.Words(), Got: a.Number.Float(), Max: float64(max), Unit: " mm"}
		}
	}
	if b.err == nil && b.probed(t) {
		b.emit(Event{Kind: KindTooth, Tooth: t, Field: a.Field, Value: v})
	}
}

// rest gives probed sites without an answer the answer that the examiner confirmed for them.
func (b *builder) rest(a Act) {
	f, isFlag := FlagOf(a.Field)
	if !isFlag && a.Field != FieldRecession {
		b.err = refuse("%q cannot be filled for the rest", a.Field)
		return
	}
	zero := 0
	for _, st := range Paths()[0].Steps { // every site, wherever the exam's path goes
		if !b.st.Chart.Tooth(st.Tooth).Presence.Probed() {
			continue
		}
		for _, site := range st.Sites {
			r := SiteRef{st.Tooth, site}
			rec := b.st.Chart.Site(r)
			if !rec.Depth.Known() || isFlag && rec.Flags[f].Recorded() || !isFlag && rec.Recession.Known() {
				continue
			}
			b.set(r, a.Field, &zero, false)
		}
	}
}
