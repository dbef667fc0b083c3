package exam

import (
	"fmt"
	"slices"
	"sort"
	"strings"

	"leadsman/chart"
)

// viewOf makes the whole view of a state.
func viewOf(id string, s *chart.State) View {
	v := View{Exam: id, Seq: s.Seq(), Numbering: s.Chart.Numbering, Head: headOf(s), Line: lineOf(s), Teeth: Teeth(s)}
	const most = 50
	calls := s.Calls
	if len(calls) > most {
		calls = calls[len(calls)-most:]
	}
	v.Calls = callViews(s, calls)
	return v
}

// Teeth are all teeth of a state as shown, by FDI number.
func Teeth(s *chart.State) map[string]ToothView {
	out := map[string]ToothView{}
	for _, t := range chart.AllTeeth() {
		out[t.String()] = toothOf(s, t)
	}
	return out
}

func lineOf(s *chart.State) []LineStep {
	out := make([]LineStep, 0, len(s.Path.Steps))
	for _, st := range s.Path.Steps {
		l := LineStep{Tooth: st.Tooth.String(), Aspect: st.Aspect.String(), Sites: []string{}}
		for i, site := range st.Sites {
			if !st.Off[i] {
				l.Sites = append(l.Sites, site.String())
			}
		}
		out = append(out, l)
	}
	return out
}

func siteKeys(sites [3]chart.Site) []string {
	return []string{sites[0].String(), sites[1].String(), sites[2].String()}
}

func placeOf(s *chart.State, p chart.Place, next int) PlaceView {
	return PlaceView{Tooth: p.Tooth.String(), Label: p.Tooth.Label(s.Chart.Numbering), Aspect: p.Aspect.String(), Next: next,
		Sites: siteKeys(s.Path.Sites(p))}
}

// Places to say at the start of a screenful of help; the grammar has them all.
var sayListening = []string{"three two four", "all threes", "bleeding mesial", "recession two", "furcation one buccal", "mobility one",
	"missing", "number fourteen", "lingual", "next", "correction four", "disregard", "say again", "where", "stand by", "exam complete"}

func headOf(s *chart.State) Head {
	h := Head{Focus: PlaceView{}, AtEnd: s.AtEnd(), Ended: s.Ended(), Rest: s.Rest(), Listening: s.Listening, Complete: s.Complete, SignedBy: s.SignedBy, Path: s.Path.Name, Pass: s.Pass,
		Doubts: []DoubtView{}, Last: []string{}, Say: sayListening, Remarks: []Remark{}, Signatures: append([]chart.Signature{}, s.Signatures...), Waits: s.Waits(),
		Amendments: AmendmentsOf(s), Void: s.Void}
	switch {
	case !s.Listening:
		h.Say = []string{"go ahead"}
	case s.SignedBy != "":
		h.Say = []string{"remark", "say again", "say again all", "stand by"}
	}
	if s.Place.Tooth != 0 {
		h.Place = placeOf(s, s.Place, s.Next)
		h.Focus = placeOf(s, s.Focus, 0)
		if then, ok := s.Then(); ok {
			p := placeOf(s, then, 0)
			h.Then = &p
		}
	}
	recent := s.Recent
	if len(recent) > 9 {
		recent = recent[len(recent)-9:]
	}
	for _, r := range recent {
		h.Last = append(h.Last, r.SiteRef.String())
	}
	rank := map[chart.SiteRef]int{}
	for _, st := range s.Path.Steps {
		for _, site := range st.Sites {
			rank[chart.SiteRef{Tooth: st.Tooth, Site: site}] = len(rank)
		}
	}
	h.Recorded, h.Sites = s.Progress()
	for _, d := range s.Doubts {
		h.Doubts = append(h.Doubts, DoubtView{Tooth: d.Tooth.String(), Label: d.Tooth.Label(s.Chart.Numbering), Site: d.Site.String(),
			Field: string(d.Field), Value: valueOf(s, d.SiteRef, d.Field), Reason: d.Reason, Rival: d.Rival,
			Call: s.Writer(d.SiteRef, d.Field)})
	}
	sort.Slice(h.Doubts, func(i, j int) bool { return doubtRank(rank, h.Doubts[i]) < doubtRank(rank, h.Doubts[j]) })
	for _, r := range s.Remarks {
		h.Remarks = append(h.Remarks, Remark{Call: r.Call, Place: r.Tooth.Label(s.Chart.Numbering) + " " + r.Aspect.String(), Text: r.Text, Time: r.Time, Who: r.Who})
	}
	if c, ok := s.LastCall(""); ok {
		h.Undo = c.Seq
	}
	if s.Complete {
		for _, r := range s.Unrecorded() {
			h.Unprobed = append(h.Unprobed, r.String())
		}
	}
	return h
}

// AmendmentsOf lists what was amended in an exam, oldest first, with the places in words.
func AmendmentsOf(s *chart.State) []AmendmentView {
	out := []AmendmentView{}
	for _, a := range s.Amendments {
		if a.Tooth == 0 {
			a.Was, a.Value = a.Values()
		}
		out = append(out, AmendmentView{a, amendedPlace(s, a)})
	}
	return out
}

func amendedPlace(s *chart.State, a chart.Amendment) string {
	switch {
	case a.Tooth == 0:
		return ""
	case a.Site == nil:
		return a.Tooth.Label(s.Chart.Numbering)
	}
	return a.Tooth.Label(s.Chart.Numbering) + " " + a.Site.String()
}

// originals are the values that stood at a site, or at the tooth (no such site), when the exam was signed and were amended since.
func originals(s *chart.State, t chart.Tooth, site chart.Site) (out map[chart.Field]string) {
	for _, a := range s.Amendments {
		if a.Tooth != t || (a.Site == nil) != (site >= chart.NumSites) || a.Site != nil && *a.Site != site {
			continue
		}
		if out == nil {
			out = map[chart.Field]string{}
		}
		if _, first := out[a.Field]; !first {
			out[a.Field] = a.Was
		}
	}
	return out
}

func doubtRank(rank map[chart.SiteRef]int, d DoubtView) int {
	t, _ := chart.ParseTooth(d.Tooth, chart.FDI)
	site, _ := chart.ParseSite(d.Site)
	return rank[chart.SiteRef{Tooth: t, Site: site}]
}

func valueOf(s *chart.State, r chart.SiteRef, f chart.Field) *float64 {
	return floatOf(s.Chart.Number(r, f))
}

func floatOf(m chart.MM) *float64 {
	if !m.Known() {
		return nil
	}
	f := m.Float()
	return &f
}

func toothOf(s *chart.State, t chart.Tooth) ToothView {
	rec := s.Chart.Tooth(t)
	v := ToothView{Label: t.Label(s.Chart.Numbering), State: rec.Presence.String(), Sites: map[string]SiteView{}}
	v.Assumed = t.ThirdMolar() && rec.Presence == chart.Missing && !s.Asked(t)
	if rec.Mobility.Recorded() {
		m := rec.Mobility.Value()
		v.Mobility = &m
	}
	for _, e := range t.Entrances() {
		v.Entrances = append(v.Entrances, e.String())
		if g := rec.Furcation[e]; g.Recorded() {
			if v.Furcation == nil {
				v.Furcation = map[string]int{}
			}
			v.Furcation[e.String()] = g.Value()
		}
	}
	v.Amended = originals(s, t, chart.NumSites)
	for site := range chart.NumSites {
		r := rec.Sites[site]
		d, doubt := s.Doubts[chart.SiteRef{Tooth: t, Site: site}]
		amended := originals(s, t, site)
		if r.Empty() && !doubt && amended == nil {
			continue
		}
		sv := SiteView{Depth: floatOf(r.Depth), Recession: floatOf(r.Recession), Bleeding: boolOf(r.Flags[chart.Bleeding]),
			Suppuration: boolOf(r.Flags[chart.Suppuration]), Plaque: boolOf(r.Flags[chart.Plaque]), Calculus: boolOf(r.Flags[chart.Calculus])}
		if loss, _, ok := r.AttachmentLoss(); ok {
			sv.AttachmentLoss = floatOf(loss)
		}
		if doubt {
			sv.Doubt = d.Reason
		}
		sv.Amended = amended
		v.Sites[site.String()] = sv
	}
	return v
}

func boolOf(y chart.YesNo) *bool {
	if !y.Recorded() {
		return nil
	}
	b := y == chart.Yes
	return &b
}

// callViews says in words what calls did.
func callViews(s *chart.State, calls []chart.CallInfo) []CallView {
	var out []CallView
	for _, c := range calls {
		out = append(out, CallView{CallInfo: c, Text: Describe(s, s.CallEvents(c.Seq))})
	}
	return out
}

// Describe says in one line what the events of a call did.
func Describe(s *chart.State, evs []chart.Event) string {
	if len(evs) == 0 {
		return ""
	}
	if evs[0].Refused != "" {
		return evs[0].Refused
	}
	num := s.Chart.Numbering
	var parts []string
	type row struct {
		place  chart.Place
		field  chart.Field
		values []string
	}
	var cur *row
	flush := func() {
		if cur != nil {
			what := ""
			if cur.field != chart.FieldDepth {
				what = string(cur.field) + " "
			}
			parts = append(parts, fmt.Sprintf("%s %s: %s%s", cur.place.Tooth.Label(num), cur.place.Aspect, what, strings.Join(cur.values, " ")))
			cur = nil
		}
	}
	if sets := slices.DeleteFunc(slices.Clone(evs), func(e chart.Event) bool { return e.Kind != chart.KindSet }); len(sets) > 12 {
		return manyText(evs[0].Did, sets[0].Field, len(sets))
	}
	evs, many := withoutMany(evs)
	for _, e := range evs[1:] {
		if e.Kind != chart.KindSet && (e.Kind != chart.KindMove || e.Jump) {
			flush()
		}
		if e.Kind != chart.KindSet {
			if text := eventText(s, evs[0].Did, &e); text != "" {
				parts = append(parts, text)
			}
			continue
		}
		p := e.At().Place()
		if cur == nil || cur.place != p || cur.field != e.Field {
			flush()
			cur = &row{place: p, field: e.Field}
		}
		cur.values = append(cur.values, valueText(&e))
	}
	flush()
	parts = append(parts, many...)
	if len(parts) == 0 {
		return string(evs[0].Did)
	}
	return strings.Join(parts, "; ")
}

// withoutMany takes the doubts that a call settled off its events, if they are many, and says what they are in one line, and how many places came
// into doubt because the exam may be elsewhere than the examiner.
func withoutMany(evs []chart.Event) (rest []chart.Event, many []string) {
	settled, off := 0, map[chart.Place]bool{}
	for i := range evs {
		switch e := &evs[i]; {
		case e.Kind == chart.KindSettle:
			settled++
		case e.Kind == chart.KindDoubt && e.Text == placeOff:
			off[e.At().Place()] = true
		}
	}
	if settled > 3 {
		evs = slices.DeleteFunc(slices.Clone(evs), func(e chart.Event) bool { return e.Kind == chart.KindSettle })
		many = append(many, fmt.Sprintf("%d doubts settled", settled))
	}
	if len(off) > 1 {
		many = append(many, fmt.Sprintf("%d places %s", len(off), placeOff))
	}
	return evs, many
}

// valueText is what was set at a site.
func valueText(e *chart.Event) string {
	v := "cleared"
	if e.Value != nil {
		v = chart.Half(*e.Value).String()
	}
	if e.Field == chart.FieldAgain {
		v = e.Site.Where().String() + " probed twice, first " + v
	} else if e.Field != chart.FieldDepth && e.Field != chart.FieldRecession {
		v = e.Site.Where().String()
		if e.Value == nil {
			v += " cleared"
		} else if *e.Value == 0 {
			v = "no " + v
		}
	} else if !e.Sounding {
		v = e.Site.Where().String() + " " + v
	}
	return v
}

// manyText says what a call did to so many sites that they are not listed.
func manyText(did chart.Verb, field chart.Field, sites int) string {
	switch {
	case did == chart.VerbComplete:
		return string(did)
	case did == chart.VerbRest && field == chart.FieldRecession:
		return fmt.Sprintf("margin at the CEJ at the other %d sites", sites)
	case did == chart.VerbRest:
		return fmt.Sprintf("no %s at the other %d sites", field, sites)
	}
	return fmt.Sprintf("%s: %d sites", did, sites)
}

// eventText says what an event of a call did, but for what it set at sites; "" for what nobody needs to know.
func eventText(s *chart.State, did chart.Verb, e *chart.Event) string {
	switch e.Kind {
	case chart.KindTooth:
		return toothText(s, e)
	case chart.KindMove:
		if e.Jump && did != chart.VerbPresence && did != chart.VerbStart {
			return fmt.Sprintf("to %s %s", e.Tooth.Label(s.Chart.Numbering), e.Aspect)
		}
	case chart.KindUndo:
		return "took back: " + takenBack(s, e.Undo)
	case chart.KindListen:
		if *e.Value == 1 {
			return "listening"
		}
		return "standing by"
	case chart.KindPath:
		name, _, _ := strings.Cut(e.Path, ":")
		return "path " + name
	case chart.KindPass:
		return "numbers are " + numbers(e.Field)
	case chart.KindPatient:
		return "patient inputs"
	case chart.KindRemark:
		return "remark: " + e.Text
	case chart.KindSettle:
		return fmt.Sprintf("%s %s settled", e.Tooth.Label(s.Chart.Numbering), e.Site)
	case chart.KindStart:
		return fmt.Sprintf("exam started, %s numbering", e.Numbering)
	case chart.KindPlan:
		if d, ok := chart.DecisionOf(*e); did == chart.VerbTherapy && ok && len(d.Done) > 0 {
			return "therapy done: " + d.Done[len(d.Done)-1].String()
		}
		return "plan decided by " + e.Who
	case chart.KindComplete:
		return "exam complete"
	case chart.KindSign:
		if e.Waits {
			return "signed by " + e.Who + ", waits for a co-signature"
		}
		return "signed by " + e.Who
	case chart.KindCosign:
		return "co-signed by " + e.Who
	case chart.KindAmend:
		return "amended by " + e.Who + " (" + e.Text + ")"
	case chart.KindVoid:
		if *e.Value == 0 {
			return "counts again (" + e.Text + ")"
		}
		return "made void by " + e.Who + " (" + e.Text + ")"
	case chart.KindOwner:
		return "moved to another patient (" + e.Text + ")"
	}
	return ""
}

// toothText says what an event set at a tooth.
func toothText(s *chart.State, e *chart.Event) string {
	label := e.Tooth.Label(s.Chart.Numbering)
	switch {
	case e.Field == chart.FieldPresence:
		return fmt.Sprintf("%s %s", label, chart.Presence(*e.Value))
	case e.Value == nil:
		return fmt.Sprintf("%s %s cleared", label, e.Field.Words())
	case e.Field.Length():
		return fmt.Sprintf("%s %s %s mm", label, e.Field.Words(), chart.Half(*e.Value))
	}
	return fmt.Sprintf("%s %s %d", label, e.Field.Words(), *e.Value)
}

// takenBack is a call that was taken back: its words, or what it did if it came from keys.
func takenBack(s *chart.State, call uint64) string {
	for _, c := range s.Calls {
		if c.Seq == call && c.Words != "" {
			return c.Words
		}
	}
	return Describe(s, s.CallEvents(call))
}

// numbers says what the numbers of a pass are.
func numbers(pass chart.Field) string {
	if pass == chart.FieldRecession {
		return "margins"
	}
	return "depths"
}

// whereTo names the place, and the site if it is not the first one there.
func whereTo(s *chart.State) string {
	where := fmt.Sprintf("%s %s", s.Place.Tooth.Label(s.Chart.Numbering), s.Place.Aspect)
	if at := s.Path.Sites(s.Place); s.Next > 0 {
		where += " " + at[s.Next].Where().String()
	}
	return where
}

// leftOut says what comes if a call led past the end of the path, or from one site that was left out to another, for the
// screen and for the ear; empty if the walk went on along the path. before and ended tell where the exam stood.
func leftOut(s *chart.State, evs []chart.Event, before chart.Place, ended bool) (text, speak string) {
	recorded, sites := s.Progress()
	open := sites - recorded
	if !s.Rest() && !s.AtEnd() || open == 0 || !slices.ContainsFunc(evs, func(e chart.Event) bool { return e.Kind == chart.KindMove }) {
		return "", ""
	}
	if what := fmt.Sprintf("%d sites", open); s.AtEnd() || !ended {
		lack := "are"
		if open == 1 {
			what, lack = "1 site", "is"
		}
		text, speak = fmt.Sprintf("end of the path: %s %s without %s, ", what, lack, numbers(s.Pass)), what+" open"
		if s.AtEnd() {
			return text + "next goes there", speak
		}
		return text + "first " + whereTo(s), speak + ". " + whereTo(s)
	}
	from, i := before, 2
	for _, e := range evs {
		if e.Kind == chart.KindSet && e.Sounding {
			from = e.At().Place()
			at := s.Path.Sites(from)
			i = slices.Index(at[:], *e.Site)
		}
	}
	if s.Straight(from, i) {
		return "", ""
	}
	return "then " + whereTo(s), whereTo(s)
}

// spoken says what a call entered, short, with a full stop after each number so that a synthesiser
// pauses between them.
func spoken(evs []chart.Event) string {
	var out []string
	flags := map[chart.Field]bool{}
	for _, e := range evs {
		switch {
		case e.Kind == chart.KindSet && e.Value != nil && (e.Field == chart.FieldDepth || e.Field == chart.FieldRecession):
			if e.Field == chart.FieldRecession && len(out) == 0 {
				out = append(out, "margin")
			}
			out = append(out, speakMM(chart.Half(*e.Value)))
		case e.Kind == chart.KindSet && e.Field == chart.FieldAgain:
		case e.Kind == chart.KindSet && e.Value != nil && !flags[e.Field]:
			flags[e.Field] = true
			if *e.Value == 0 {
				out = append(out, "no "+string(e.Field))
			} else {
				out = append(out, string(e.Field))
			}
		case e.Kind == chart.KindTooth && e.Value != nil && e.Field != chart.FieldPresence:
			name, _, _ := strings.Cut(e.Field.Words(), " ")
			v := fmt.Sprint(*e.Value)
			if e.Field.Length() {
				v = speakMM(chart.Half(*e.Value))
			}
			out = append(out, name+" "+v)
		}
	}
	return strings.Join(out, ". ")
}

func speakMM(m chart.MM) string {
	s := strings.TrimSuffix(m.String(), ".5")
	if strings.HasPrefix(s, "-") {
		s = "minus " + s[1:]
	}
	if m.Half()%2 != 0 {
		s += " and a half"
	}
	return s
}
