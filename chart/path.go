package chart

import (
	"errors"
	"fmt"
	"slices"
	"strings"
)

// Place is where the next numbers go: a tooth and one of its aspects.
type Place struct {
	Tooth  Tooth  `json:"tooth"`
	Aspect Aspect `json:"aspect"`
}

// String is like "16 buccal".
func (p Place) String() string { return p.Tooth.String() + " " + p.Aspect.String() }

// ParsePlace reads "TOOTH/ASPECT" or "TOOTH" (buccal) in the given numbering.
func ParsePlace(s string, n Numbering) (Place, error) {
	tooth, aspect, both := strings.Cut(s, "/")
	t, err := ParseTooth(tooth, n)
	if err != nil {
		return Place{}, err
	}
	p := Place{Tooth: t}
	if both {
		if p.Aspect, err = parseAspect(aspect); err != nil {
			return Place{}, err
		}
	}
	return p, nil
}

// Step is a place on a path with its three sites in the order in which the probe walks.
type Step struct {
	Place
	Sites [3]Site
	Off   [3]bool // sites that the path passes by
}

// First is the first site that is walked; next the one after site i, 3 if there is none.
func (s *Step) First() int { return s.next(-1) }

func (s *Step) next(i int) int {
	for i++; i < 3 && s.Off[i]; i++ {
	}
	return i
}

// Path is an order of places. It holds every permanent tooth, third molars too: which of them are
// walked is decided by the teeth that are there. Paths of a practice's own may leave places and sites out.
type Path struct {
	Name  string
	Title string // for people
	Ref   string // what PathNamed finds it by, for good: see ParsePath
	Steps []Step
}

// run is a straight walk along one row of one arch.
type run struct {
	upper     bool
	aspect    Aspect
	fromRight bool // starts at the patient's right
	from, to  int  // arch positions, 1..16 from the patient's right, whatever the direction
}

// steps expands a run. Moving towards the midline the probe meets distal, mid, mesial; moving away
// from it mesial, mid, distal: mesial means "towards the midline of the arch".
func (r run) steps() []Step {
	var out []Step
	add := func(pos int) {
		right := pos <= 8
		q, p := 2, pos-8
		if right {
			q, p = 1, 9-pos
		}
		if !r.upper {
			q = 5 - q
		}
		s := Step{Place: Place{Tooth: Tooth(q*10 + p), Aspect: r.aspect}}
		ws := [3]Where{Mesial, Mid, Distal}
		if right == r.fromRight {
			ws = [3]Where{Distal, Mid, Mesial}
		}
		for i, w := range ws {
			s.Sites[i] = SiteAt(r.aspect, w)
		}
		out = append(out, s)
	}
	if r.fromRight {
		for p := r.from; p <= r.to; p++ {
			add(p)
		}
	} else {
		for p := r.to; p >= r.from; p-- {
			add(p)
		}
	}
	return out
}

func walk(name, title string, runs ...run) Path {
	p := Path{Name: name, Title: title, Ref: name}
	for _, r := range runs {
		p.Steps = append(p.Steps, r.steps()...)
	}
	return p
}

// bothAspects probes both aspects of a tooth before the next tooth.
func (r run) bothAspects() []Step {
	var out []Step
	lingual := r
	r.aspect, lingual.aspect = Buccal, Lingual
	b, l := r.steps(), lingual.steps()
	for i := range b {
		out = append(out, b[i], l[i])
	}
	return out
}

func byTooth() Path {
	p := walk("tooth", "tooth by tooth, both aspects")
	for _, arch := range []run{{upper: true, fromRight: true, from: 1, to: 16}, {from: 1, to: 16}} {
		p.Steps = append(p.Steps, arch.bothAspects()...)
	}
	return p
}

// sextants walks the six parts of a mouth in which screening looks for the worst site: canines belong to
// the front teeth.
func sextants() Path {
	p := walk("sextant", "sextant by sextant for screening, buccal then lingual")
	for _, part := range []run{{true, Buccal, true, 1, 5}, {true, Buccal, true, 6, 11}, {true, Buccal, true, 12, 16},
		{false, Buccal, false, 12, 16}, {false, Buccal, false, 6, 11}, {false, Buccal, false, 1, 5}} {
		back := part
		back.aspect, back.fromRight = Lingual, !part.fromRight
		p.Steps = append(append(p.Steps, part.steps()...), back.steps()...)
	}
	return p
}

// Paths are the built-in orders, the default first. Common practice, no source: each practice walks
// its own way.
func Paths() []Path {
	return []Path{
		walk("arch", "by arch: upper buccal, upper lingual, lower buccal, lower lingual",
			run{true, Buccal, true, 1, 16}, run{true, Lingual, false, 1, 16},
			run{false, Buccal, false, 1, 16}, run{false, Lingual, true, 1, 16}),
		byTooth(),
		walk("quadrant", "quadrant by quadrant, buccal then lingual",
			run{true, Buccal, true, 1, 8}, run{true, Lingual, false, 1, 8},
			run{true, Buccal, true, 9, 16}, run{true, Lingual, false, 9, 16},
			run{false, Buccal, false, 9, 16}, run{false, Lingual, true, 9, 16},
			run{false, Buccal, false, 1, 8}, run{false, Lingual, true, 1, 8}),
		walk("sweep", "one sweep: upper buccal, upper lingual, lower lingual, lower buccal",
			run{true, Buccal, true, 1, 16}, run{true, Lingual, false, 1, 16},
			run{false, Lingual, false, 1, 16}, run{false, Buccal, true, 1, 16}),
		sextants(),
	}
}

// PathNamed finds a built-in path by its name, or makes the path of a Ref; "" is the default.
func PathNamed(ref string) (Path, error) {
	ps := Paths()
	if ref == "" {
		return ps[0], nil
	}
	if name, segments, own := strings.Cut(ref, ":"); own {
		return ParsePath(name, segments, FDI)
	}
	var names []string
	for _, p := range ps {
		if p.Name == ref {
			return p, nil
		}
		names = append(names, p.Name)
	}
	return Path{}, fmt.Errorf("path %q: use one of %s", ref, strings.Join(names, ", "))
}

// ParsePath makes a path of segments: "buccal 18-28, lingual 28-18, both 38-48, buccal 16 distal mid". A
// segment has an aspect (both: tooth by tooth), a tooth or a range of one arch in the order of the walk,
// and the sites, if not all three are walked. No place may come twice. In the path's Ref teeth are FDI.
func ParsePath(name, segments string, n Numbering) (Path, error) {
	p := Path{Name: name, Title: name}
	var refs []string
	seen := map[Place]bool{}
	for _, seg := range strings.Split(segments, ",") {
		steps, ref, err := parseSegment(seg, n)
		for _, s := range steps {
			if seen[s.Place] {
				err = fmt.Errorf("%s comes twice on the path", s.Place)
				break
			}
			seen[s.Place] = true
		}
		if err != nil {
			return Path{}, fmt.Errorf("path %q: %q: %w", name, strings.TrimSpace(seg), err)
		}
		p.Steps = append(p.Steps, steps...)
		refs = append(refs, ref)
	}
	p.Ref = name + ": " + strings.Join(refs, ", ")
	return p, nil
}

// parseSegment reads one segment of a path; ref is the same with FDI teeth.
func parseSegment(seg string, n Numbering) (steps []Step, ref string, err error) {
	f := strings.Fields(seg)
	if len(f) < 2 {
		return nil, "", errors.New("write an aspect and teeth, such as buccal 18-28")
	}
	from, to, isRange := strings.Cut(f[1], "-")
	if !isRange {
		to = from
	}
	var ends [2]Tooth
	for i, s := range []string{from, to} {
		t, err := ParseTooth(s, n)
		if err != nil {
			return nil, "", err
		}
		if t.Primary() {
			return nil, "", fmt.Errorf("tooth %s is not a permanent tooth", s)
		}
		ends[i] = t
	}
	if ends[0].Upper() != ends[1].Upper() {
		return nil, "", errors.New("teeth of both arches: write a segment for each")
	}
	r := run{upper: ends[0].Upper(), fromRight: ends[0].Upper()}
	r.from, r.to = ends[0].ArchPosition(), ends[1].ArchPosition()
	if r.from != r.to {
		r.fromRight = r.from < r.to
	}
	r.from, r.to = min(r.from, r.to), max(r.from, r.to)
	if f[0] == "both" {
		steps = r.bothAspects()
	} else if r.aspect, err = parseAspect(f[0]); err != nil {
		return nil, "", fmt.Errorf("%w, or both", err)
	} else {
		steps = r.steps()
	}
	where, err := parseSites(f[2:])
	for i := range steps {
		if len(where) > 0 {
			steps[i].only(where)
		}
	}
	f[1] = ends[0].String() + "-" + ends[1].String()
	return steps, strings.Join(f, " "), err
}

// parseSites reads the sites that are walked of a place.
func parseSites(words []string) (where []Where, err error) {
	for _, w := range words {
		i := slices.IndexFunc([]Where{Distal, Mid, Mesial}, func(x Where) bool { return x.String() == w })
		if i < 0 || slices.Contains(where, Where(i)) {
			return nil, errors.New("sites are distal, mid and mesial, each once")
		}
		where = append(where, Where(i))
	}
	return where, nil
}

// only leaves the other sites out. Two or three sites also say in which direction the probe walks.
func (s *Step) only(where []Where) {
	rank := func(w Where) int { return slices.Index([]Where{Distal, Mid, Mesial}, w) }
	if len(where) > 1 {
		ws := []Where{Distal, Mid, Mesial}
		if rank(where[0]) > rank(where[1]) {
			slices.Reverse(ws)
		}
		for i, w := range ws {
			s.Sites[i] = SiteAt(s.Aspect, w)
		}
	}
	for i, site := range s.Sites {
		s.Off[i] = !slices.Contains(where, site.Where())
	}
}

// PocketPath is the name of the path over the sites of an earlier exam from PocketFrom on.
const (
	PocketPath = "pockets"
	PocketFrom = 4 // mm; re-evaluation looks at these: common practice, no source
)

// Pockets is the way along the default path to the pockets of a chart alone. It fails with *Refusal if
// there are none.
func Pockets(c *Chart) (Path, error) {
	var segments []string
	for _, s := range Paths()[0].Steps {
		seg := fmt.Sprintf("%s %s", s.Aspect, s.Tooth)
		deep := false
		for _, site := range s.Sites {
			if d := c.Site(SiteRef{s.Tooth, site}).Depth; d.Known() && d.Half() >= 2*PocketFrom {
				seg += " " + site.Where().String()
				deep = true
			}
		}
		if deep {
			segments = append(segments, seg)
		}
	}
	if segments == nil {
		return Path{}, refuse("the earlier exam has no site of %d mm or more", PocketFrom)
	}
	return ParsePath(PocketPath, strings.Join(segments, ", "), FDI)
}

// index finds the step of a place, -1 if the path never comes there.
func (p *Path) index(at Place) int {
	for i := range p.Steps {
		if p.Steps[i].Place == at {
			return i
		}
	}
	return -1
}

// At is the step of a place. One that the path never comes to is walked whole.
func (p *Path) At(at Place) Step {
	if i := p.index(at); i >= 0 {
		return p.Steps[i]
	}
	return Step{Place: at, Sites: [3]Site{SiteAt(at.Aspect, Distal), SiteAt(at.Aspect, Mid), SiteAt(at.Aspect, Mesial)}}
}

// Sites gives the three sites of a place in walking order, those that the path passes by too.
func (p *Path) Sites(at Place) [3]Site { return p.At(at).Sites }

// Walked counts the sites of a place that are walked.
func (p *Path) Walked(at Place) (n int) {
	st := p.At(at)
	for i := st.First(); i < 3; i = st.next(i) {
		n++
	}
	return n
}
