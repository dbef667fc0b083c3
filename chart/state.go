package chart

import (
	"cmp"
	"fmt"
	"iter"
	"slices"
)

// Doubt marks an entry that deserves a second look. It stays until the entry is said or typed
// again, or settled by the examiner.
type Doubt struct {
	SiteRef
	Field  Field  `json:"field"`
	Reason string `json:"reason"`
	Rival  string `json:"rival,omitempty"` // the other reading, in words
	Seq    uint64 `json:"seq"`             // of the event that raised it
}

// Reading is one numeric entry: a depth or a margin at a site.
type Reading struct {
	SiteRef
	Field Field `json:"field"`
}

// CallInfo is a call as the log tells it.
type CallInfo struct {
	Seq        uint64  `json:"seq"`
	Time       int64   `json:"time"`
	Source     Source  `json:"source"`
	Person     string  `json:"person,omitempty"`
	Who        string  `json:"who,omitempty"`
	Words      string  `json:"words,omitempty"`
	Confidence float64 `json:"confidence,omitempty"`
	Did        Verb    `json:"did"`
	Refused    string  `json:"refused,omitempty"`
	Undone     bool    `json:"undone,omitempty"`
	Effects    bool    `json:"effects,omitempty"`    // something that can be taken back
	ClockBack  bool    `json:"clock_back,omitempty"` // it came after the call before, but the clock says otherwise: it was set back
}

// Remark is free speech or text kept beside a place.
type Remark struct {
	Place
	Call uint64 `json:"call"`
	Text string `json:"text"`
	Time int64  `json:"time"`
	Who  string `json:"who,omitempty"`
}

// Phase is how far the walk along the path has come.
type Phase uint8

const (
	Walking   Phase = iota // along the path
	Revisited              // the path was walked to its end, and a place is called whole once more; behind it come the sites left out
	Leftovers              // the sites that were left out, one place after the other; those that have a number are passed by
	PathEnd                // nothing is left: numbers are refused until the place is changed
)

// State is the fold of an exam's log: the chart, and where the exam stands. Read its fields, change
// it only by Apply.
type State struct {
	Chart     Chart
	Path      Path
	Place     Place // where the next numbers go
	Pass      Field // what bare numbers are: FieldDepth or FieldRecession
	Next      int   // index into Path.Sites(Place) of the next sounding, 0..2
	Phase     Phase // how far the walk has come
	Focus     Place // the aspect last worked on: what flags and margins refer to
	Recent    []Reading
	Listening bool
	Doubts    map[SiteRef]Doubt
	Remarks   []Remark
	Plans     []Decision // oldest first; the last one is in force
	Calls     []CallInfo
	Complete  bool
	SignedBy  string
	Patient   string // whose exam the log says it is; "" if it was written before logs said so
	// What followed the signature, oldest first.
	Signatures []Signature
	Amendments []Amendment
	Void       *Void // the exam counts no more; nil: it counts

	amends Amendment // the amendment whose call is being folded
	log    []Event
	undone map[uint64]bool
	ids    map[string]bool
}

// NewState is the state before any event.
func NewState() *State {
	p, _ := PathNamed("")
	return &State{Path: p, Pass: FieldDepth, Listening: true, Doubts: map[SiteRef]Doubt{}, undone: map[uint64]bool{}, ids: map[string]bool{}}
}

// Log is the list of all events applied, in order. It must not be changed.
func (s *State) Log() []Event { return s.log }

// CallEvents is the part of the log that belongs to one call: its KindCall and what it caused. They
// stand together, since a call is applied as a whole. Nil if there is no such call.
func (s *State) CallEvents(call uint64) []Event {
	if call == 0 || call > s.Seq() {
		return nil
	}
	end := call - 1
	for end < s.Seq() && s.log[end].Call == call {
		end++
	}
	return s.log[call-1 : end : end]
}

// Seq is the number of the last event, 0 before the first.
func (s *State) Seq() uint64 { return uint64(len(s.log)) }

// Has reports whether a call with this sender's ID is in the log already.
func (s *State) Has(id string) bool { return id != "" && s.ids[id] }

// Apply folds events into the state. Events must be numbered without gaps; one that is not, or that
// no chart could hold, is refused and leaves the state as it was.
func (s *State) Apply(evs ...Event) error {
	for i := range evs {
		e := evs[i]
		if e.Seq != s.Seq()+1 {
			return fmt.Errorf("event %d follows event %d: the log has a gap", e.Seq, s.Seq())
		}
		if err := e.Check(); err != nil {
			return err
		}
		s.log = append(s.log, e)
		if e.Kind == KindUndo {
			s.undone[e.Undo] = true
			s.refold()
			continue
		}
		s.fold(&e)
	}
	return nil
}

// Fold makes the state of a whole log.
func Fold(evs []Event) (*State, error) {
	s := NewState()
	return s, s.Apply(evs...)
}

// refold rebuilds everything from the log without the calls that were taken back.
func (s *State) refold() {
	fresh := NewState()
	fresh.log, fresh.undone, fresh.ids = s.log, s.undone, s.ids
	for i := range fresh.log {
		e := &fresh.log[i]
		if fresh.undone[e.Call] && e.Kind != KindCall || e.Kind == KindUndo {
			continue
		}
		fresh.fold(e)
	}
	*s = *fresh
}

// folds says what an event does to the state, by its kind; a KindUndo is done by Apply.
var folds = map[Kind]func(*State, *Event){
	KindStart:    (*State).foldStart,
	KindCall:     (*State).foldCall,
	KindSet:      (*State).foldSet,
	KindTooth:    (*State).foldTooth,
	KindMove:     (*State).foldMove,
	KindPath:     func(s *State, e *Event) { s.Path, _ = PathNamed(e.Path); s.anew() },
	KindPass:     func(s *State, e *Event) { s.Pass = e.Field; s.anew() },
	KindListen:   func(s *State, e *Event) { s.Listening = e.Value != nil && *e.Value == 1 },
	KindSettle:   func(s *State, e *Event) { delete(s.Doubts, e.At()) },
	KindComplete: func(s *State, e *Event) { s.Complete = true },
	KindDoubt: func(s *State, e *Event) {
		s.Doubts[e.At()] = Doubt{SiteRef: e.At(), Field: e.Field, Reason: e.Text, Rival: e.Rival, Seq: e.Seq}
	},
	KindPatient: func(s *State, e *Event) {
		s.amended(e)
		if e.Change != nil {
			s.Chart.Patient = s.Chart.Patient.With(e.Change)
		}
	},
	KindRemark: func(s *State, e *Event) {
		s.Remarks = append(s.Remarks, Remark{Place: Place{e.Tooth, e.Aspect}, Call: e.Call, Text: e.Text, Time: e.Time, Who: e.Who})
	},
	KindPlan: func(s *State, e *Event) {
		if d, ok := DecisionOf(*e); ok {
			d.Added = s.SignedBy != ""
			s.Plans = append(s.Plans, d)
		}
	},
	KindSign:   (*State).stands,
	KindCosign: (*State).stands,
	KindAmend:  (*State).stands,
	KindVoid:   (*State).stands,
	KindOwner:  (*State).stands,
}

func (s *State) fold(e *Event) {
	if n := len(s.Calls); n > 0 && s.Calls[n-1].Seq == e.Call && e.Kind != KindDoubt && e.Kind != KindSettle && e.Kind != KindListen {
		s.Calls[n-1].Effects = true
	}
	folds[e.Kind](s, e)
}

func (s *State) foldStart(e *Event) {
	s.Patient = e.Patient
	s.Chart.Numbering = e.Numbering
	s.Path, _ = PathNamed(e.Path)
	for _, t := range AllTeeth() {
		s.Chart.Tooth(t).Presence = Present
		if t.ThirdMolar() {
			s.Chart.Tooth(t).Presence = Missing
		}
	}
	s.goTo(s.firstPlace())
	s.Focus = s.Place
}

func (s *State) foldCall(e *Event) {
	if e.ID != "" {
		s.ids[e.ID] = true
	}
	s.Calls = append(s.Calls, CallInfo{Seq: e.Seq, Time: e.Time, Source: e.Source, Person: e.Person, Who: e.Who, Words: e.Words,
		Confidence: e.Confidence, Did: e.Did, Refused: e.Refused, Undone: s.undone[e.Call], ClockBack: len(s.Calls) > 0 && e.Time < s.Calls[len(s.Calls)-1].Time})
}

func (s *State) foldSet(e *Event) {
	s.amended(e)
	ref := e.At()
	rec := s.Chart.Site(ref)
	switch e.Field {
	case FieldDepth:
		rec.Depth, rec.Again = mmOf(e.Value), MM{}
	case FieldRecession:
		rec.Recession = mmOf(e.Value)
	case FieldAgain:
		rec.Again = mmOf(e.Value)
	default:
		f, _ := FlagOf(e.Field)
		rec.Flags[f] = NotRecorded
		if e.Value != nil {
			rec.Flags[f] = Is(*e.Value == 1)
		}
	}
	if d, ok := s.Doubts[ref]; ok && d.Field == e.Field {
		delete(s.Doubts, ref)
	}
	if e.Sounding {
		r := Reading{ref, e.Field}
		if i := slices.Index(s.Recent, r); i >= 0 {
			s.Recent = slices.Delete(slices.Clone(s.Recent), i, i+1)
		}
		s.Recent = append(s.Recent, r)
		s.Focus = ref.Place()
	}
}

func (s *State) foldTooth(e *Event) {
	s.amended(e)
	t := s.Chart.Tooth(e.Tooth)
	g := Grade(0)
	if e.Value != nil {
		g = GradeOf(*e.Value)
	}
	vertical, isVertical := verticalOf(e.Field)
	switch {
	case e.Field == FieldPresence:
		t.Presence = Presence(*e.Value)
	case e.Field == FieldMobility:
		t.Mobility = g
	case e.Field == FieldKeratin:
		t.Keratin = mmOf(e.Value)
	case isVertical:
		t.Vertical[vertical] = mmOf(e.Value)
	default:
		en, _ := entranceOf(e.Field)
		t.Furcation[en] = g
	}
}

func (s *State) foldMove(e *Event) {
	s.Place, s.Next = Place{e.Tooth, e.Aspect}, e.Next
	switch {
	case e.End:
		s.Phase = PathEnd
	case e.Rest:
		s.Phase = Leftovers
	case e.Jump && !s.lacks(s.Path.At(s.Place)):
		s.Phase = Walking // what is recorded is wanted once more: the path is walked from there
	case s.Phase != Walking:
		s.Phase = Revisited
	}
	if e.Jump {
		s.Focus, s.Recent = s.Place, nil
	}
}

func mmOf(v *int) MM {
	if v == nil {
		return MM{}
	}
	return Half(*v)
}

func (s *State) goTo(p Place, ok bool) {
	if ok {
		at := s.Path.At(p)
		s.Place, s.Next, s.Phase = p, at.First(), Walking
	} else {
		s.Phase = PathEnd
	}
}

// anew begins to walk another path, or the path for another pass. At the end of the former one it stays there if nothing lacks.
func (s *State) anew() {
	if _, _, lacks := s.gap(0, Place{}); s.Phase != PathEnd || lacks {
		s.Phase = Walking
	}
}

// AtEnd reports whether the path is finished, Ended whether it was ever walked to its end, and Rest whether only sites that were left out are
// walked.
func (s *State) AtEnd() bool { return s.Phase == PathEnd }
func (s *State) Ended() bool { return s.Phase != Walking }
func (s *State) Rest() bool  { return s.Phase == Leftovers }

// firstPlace is the first place of the path whose tooth is there.
func (s *State) firstPlace() (Place, bool) { return s.seek(0, 1) }

// seek walks the path from step i in direction d to the first place with a tooth to probe.
func (s *State) seek(i, d int) (Place, bool) {
	for ; i >= 0 && i < len(s.Path.Steps); i += d {
		if st := s.Path.Steps[i]; s.Chart.Tooth(st.Tooth).Presence.Probed() {
			return st.Place, true
		}
	}
	return Place{}, false
}

// after is the place that follows p on the path among the teeth that are there.
func (s *State) after(p Place) (Place, bool) {
	if s.Path.index(p) < 0 {
		to, _, ok := s.gap(0, p) // back to the path
		return to, ok
	}
	return s.seek(s.Path.index(p)+1, 1)
}

// Then is the place that comes after this one; ok is false if none does.
func (s *State) Then() (to Place, ok bool) {
	to, _, _, ok = s.onward(3)
	return to, ok
}

// onward is where the numbers go after the i-th site of the place: along the path and, at its end, to what
// was left out, each once. rest says that it is such a site; ok is false when nothing comes any more.
func (s *State) onward(i int) (to Place, next int, rest, ok bool) {
	p, at := s.Place, s.Path.At(s.Place)
	for i = at.next(i); i < 3; i = at.next(i) {
		if !s.Rest() || !s.has(SiteRef{p.Tooth, at.Sites[i]}) {
			return p, i, s.Rest(), true
		}
	}
	from := 0
	if s.Ended() {
		from = s.Path.index(p) + 1
	} else if to, ok := s.after(p); ok {
		at := s.Path.At(to)
		return to, at.First(), false, true
	}
	if to, next, ok = s.gap(from, p); ok {
		return to, next, true, true
	}
	return p, 2, false, false
}

// gap is the first site from step i of the path on that lacks the number of this pass, but for those of one place.
func (s *State) gap(i int, but Place) (to Place, next int, ok bool) {
	for ; i < len(s.Path.Steps); i++ {
		st := s.Path.Steps[i]
		if st.Place == but || !s.Chart.Tooth(st.Tooth).Presence.Probed() {
			continue
		}
		for next = st.First(); next < 3; next = st.next(next) {
			if !s.has(SiteRef{st.Tooth, st.Sites[next]}) {
				return st.Place, next, true
			}
		}
	}
	return Place{}, 0, false
}

// lacks reports whether one of the sites walked at a place lacks the number of this pass.
func (s *State) lacks(at Step) bool {
	for i := at.First(); i < 3; i = at.next(i) {
		if !s.has(SiteRef{at.Tooth, at.Sites[i]}) {
			return true
		}
	}
	return false
}

// Straight reports whether the walk goes from the i-th site of a place straight to where it stands now: to the next
// site of the path, none left out.
func (s *State) Straight(from Place, i int) bool {
	at := s.Path.At(from)
	if i = at.next(i); i < 3 {
		return s.Place == from && s.Next == i
	}
	to, ok := s.seek(s.Path.index(from)+1, 1)
	at = s.Path.At(to)
	return ok && s.Place == to && s.Next == at.First()
}

// has reports whether a site has the number that the pass is about.
func (s *State) has(r SiteRef) bool {
	return s.Chart.Number(r, s.Pass).Known()
}

// Walked goes through the sites of the path whose teeth are there.
func (s *State) Walked() iter.Seq[SiteRef] {
	return func(yield func(SiteRef) bool) {
		for _, st := range s.Path.Steps {
			if !s.Chart.Tooth(st.Tooth).Presence.Probed() {
				continue
			}
			for i, site := range st.Sites {
				if !st.Off[i] && !yield(SiteRef{st.Tooth, site}) {
					return
				}
			}
		}
	}
}

// Progress counts the sites of the path, and those of them that have the number of this pass.
func (s *State) Progress() (recorded, sites int) {
	for r := range s.Walked() {
		if sites++; s.has(r) {
			recorded++
		}
	}
	return recorded, sites
}

// Before is the place before p on the path among the teeth that are there.
func (s *State) Before(p Place) (Place, bool) { return s.seek(s.Path.index(p)-1, -1) }

// Open counts the soundings still to come at the current aspect, 1..3, or 0 at the end of the path.
func (s *State) Open() int {
	if s.AtEnd() || !s.Chart.Tooth(s.Place.Tooth).Presence.Probed() {
		return 0
	}
	n, at := 0, s.Path.At(s.Place)
	for i := s.Next; i < 3; i = at.next(i) {
		if !s.Rest() || !s.has(SiteRef{s.Place.Tooth, at.Sites[i]}) {
			n++
		}
	}
	return n
}

// Unrecorded lists, in path order, the sites of teeth that are there and have no depth.
func (s *State) Unrecorded() []SiteRef {
	var out []SiteRef
	for r := range s.Walked() {
		if !s.Chart.Site(r).Depth.Known() {
			out = append(out, r)
		}
	}
	return out
}

// OpenDoubts lists the doubts that nobody has settled, by tooth and site; never nil.
func (s *State) OpenDoubts() []Doubt {
	out := make([]Doubt, 0, len(s.Doubts))
	for _, d := range s.Doubts {
		out = append(out, d)
	}
	slices.SortFunc(out, func(a, b Doubt) int { return cmp.Or(cmp.Compare(a.Tooth, b.Tooth), cmp.Compare(a.Site, b.Site)) })
	return out
}

// Asked reports whether the presence of a tooth was said, at this exam or at the one before.
func (s *State) Asked(t Tooth) bool {
	return slices.ContainsFunc(s.log, func(e Event) bool {
		return e.Kind == KindTooth && e.Tooth == t && e.Field == FieldPresence && !s.undone[e.Call]
	})
}

// LastCall is the last call that changed something and was not taken back; by restricts it to one
// source unless it is "".
func (s *State) LastCall(by Source) (CallInfo, bool) {
	for i := len(s.Calls) - 1; i >= 0; i-- {
		c := s.Calls[i]
		if c.Effects && !c.Undone && c.Source != Tool && c.Did != VerbDisregard && (by == "" || c.Source == by) {
			return c, true
		}
	}
	return CallInfo{}, false
}

// Behind is the place that follows another on the path among the teeth that are there.
func (s *State) Behind(p Place) (Place, bool) { return s.seek(s.Path.index(p)+1, 1) }
