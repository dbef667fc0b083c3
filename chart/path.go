package chart

import (
	"fmt"
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
		if p.Aspect, err = ParseAspect(aspect); err != nil {
			return Place{}, err
		}
	}
	return p, nil
}

// Step is a place on a path with its three sites in the order in which the probe walks.
type Step struct {
	Place
	Sites [3]Site
}

// Path is an order of places. It holds every permanent tooth, third molars too: which of them are
// walked is decided by the teeth that are there.
type Path struct {
	Name  string
	Title string // for people
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
	p := Path{Name: name, Title: title}
	for _, r := range runs {
		p.Steps = append(p.Steps, r.steps()...)
	}
	return p
}

// byTooth probes both aspects of a tooth before the next tooth.
func byTooth() Path {
	p := Path{Name: "tooth", Title: "tooth by tooth, both aspects"}
	for _, arch := range []run{{upper: true, fromRight: true, from: 1, to: 16}, {fromRight: false, from: 1, to: 16}} {
		lingual := arch
		lingual.aspect = Lingual
		b, l := arch.steps(), lingual.steps()
		for i := range b {
			p.Steps = append(p.Steps, b[i], l[i])
		}
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
	}
}

// PathNamed finds a built-in path; "" is the default.
func PathNamed(name string) (Path, error) {
	ps := Paths()
	if name == "" {
		return ps[0], nil
	}
	var names []string
	for _, p := range ps {
		if p.Name == name {
			return p, nil
		}
		names = append(names, p.Name)
	}
	return Path{}, fmt.Errorf("path %q: use one of %s", name, strings.Join(names, ", "))
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

// Sites gives the three sites of a place in walking order.
func (p *Path) Sites(at Place) [3]Site {
	if i := p.index(at); i >= 0 {
		return p.Steps[i].Sites
	}
	return [3]Site{SiteAt(at.Aspect, Distal), SiteAt(at.Aspect, Mid), SiteAt(at.Aspect, Mesial)}
}
