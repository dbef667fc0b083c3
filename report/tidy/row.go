package tidy

import (
	"fmt"
	"slices"
	"strconv"

	"leadsman/chart"
)

// siteRow is what a row says of one site.
type siteRow struct {
	get       func(column string) string // "" is not recorded
	numbering chart.Numbering
	ref       chart.SiteRef
	rec       chart.ToothRecord // of the tooth, with what the row adds
}

// A fault is why a row is not taken.
type fault struct{ column, why string }

// read reads the whole row, on top of what the exam has of the tooth.
func (r *siteRow) read(b *building) *fault {
	if f := r.which(b); f != nil {
		return f
	}
	r.rec = *b.Chart.Tooth(r.ref.Tooth)
	for _, part := range []func() *fault{r.state, r.lengths, r.loss, r.flags, r.tooth, r.furcations} {
		if f := part(); f != nil {
			return f
		}
	}
	return nil
}

// which finds the site that the row is about.
func (r *siteRow) which(b *building) *fault {
	var err error
	if r.ref.Tooth, err = chart.ParseTooth(r.get("tooth"), r.numbering); err != nil {
		return &fault{"tooth", err.Error()}
	}
	if r.ref.Site, err = chart.ParseSite(r.get("site")); err != nil {
		return &fault{"site", err.Error()}
	}
	if b.read[r.ref] {
		return &fault{"site", fmt.Sprintf("tooth %s site %s was given already in this exam", r.ref.Tooth.Label(r.numbering), r.ref.Site)}
	}
	return nil
}

func (r *siteRow) state() *fault {
	s := r.get("state")
	if s == "" {
		return nil
	}
	states := []chart.Presence{chart.Present, chart.Missing, chart.Implant, chart.Unerupted}
	i := slices.IndexFunc(states, func(p chart.Presence) bool { return p.String() == s })
	switch {
	case i < 0:
		return &fault{"state", "present, missing, implant or unerupted is needed"}
	case r.rec.Presence != chart.Unstated && r.rec.Presence != states[i]:
		return &fault{"state", "another row of the tooth says " + r.rec.Presence.String()}
	}
	r.rec.Presence = states[i]
	return nil
}

func (r *siteRow) lengths() *fault {
	v := &r.rec.Sites[r.ref.Site]
	for _, l := range []struct {
		column   string
		min, max float64
		to       *chart.MM
	}{
		{"depth_mm", 0, chart.MaxDepth, &v.Depth},
		{"depth_again_mm", 0, chart.MaxDepth, &v.Again},
		{"recession_mm", chart.MinRecession, chart.MaxRecession, &v.Recession},
	} {
		mm, f := r.length(l.column, l.min, l.max)
		if f != nil {
			return f
		}
		*l.to = mm
	}
	return nil
}

// length is a length in a column, not known if there is none.
func (r *siteRow) length(column string, min, max float64) (mm chart.MM, _ *fault) {
	s := r.get(column)
	if s == "" {
		return mm, nil
	}
	f, err := strconv.ParseFloat(s, 64)
	switch {
	case err != nil:
		return mm, &fault{column, "a number of millimetres is needed"}
	case f < min || f > max:
		return mm, &fault{column, fmt.Sprintf("out of range (%v to %v mm)", min, max)}
	}
	if mm, err = chart.MMFromFloat(f); err != nil {
		return mm, &fault{column, err.Error()}
	}
	return mm, nil
}

// loss reads attachment loss, which is depth plus recession: where there is no recession it gives it, else the two must agree.
func (r *siteRow) loss() *fault {
	const column = "attachment_loss_mm"
	loss, f := r.length(column, 0, chart.MaxDepth+chart.MaxRecession)
	if f != nil || !loss.Known() {
		return f
	}
	v := &r.rec.Sites[r.ref.Site]
	if v.Recession.Known() {
		if want, _, both := v.AttachmentLoss(); both && want != loss {
			return &fault{column, "depth plus recession gives " + want.String()}
		}
		return nil
	}
	if !v.Depth.Known() {
		return &fault{column, "attachment loss without a depth has no place in a chart"}
	}
	h := loss.Half() - v.Depth.Half()
	if h < 2*chart.MinRecession || h > 2*chart.MaxRecession {
		return &fault{column, fmt.Sprintf("with this depth the margin would be at %v mm, which is out of range", float64(h)/2)}
	}
	v.Recession = chart.Half(h)
	return nil
}

func (r *siteRow) flags() *fault {
	for f := range chart.NumFlags {
		switch s := r.get(f.String()); s {
		case "":
		case "true", "false":
			r.rec.Sites[r.ref.Site].Flags[f] = chart.Is(s == "true")
		default:
			return &fault{f.String(), "true or false is needed; map other words under values"}
		}
	}
	return nil
}

// tooth reads what the row says of the tooth as a whole.
func (r *siteRow) tooth() *fault {
	if f := r.grade("mobility", chart.MaxMobility, &r.rec.Mobility); f != nil {
		return f
	}
	return r.lengthInto("keratinized_width_mm", &r.rec.Keratin)
}

func (r *siteRow) furcations() *fault {
	for e, column := range furcations {
		vertical := column + "_vertical_mm"
		if r.get(column)+r.get(vertical) != "" && !slices.Contains(r.ref.Tooth.Entrances(), chart.Entrance(e)) {
			return &fault{column, "tooth " + r.ref.Tooth.Label(r.numbering) + " has no such furcation"}
		}
		if f := r.grade(column, chart.MaxFurcation, &r.rec.Furcation[e]); f != nil {
			return f
		}
		if f := r.lengthInto(vertical, &r.rec.Vertical[e]); f != nil {
			return f
		}
	}
	return nil
}

// grade and lengthInto leave what another row said where this one says nothing.
func (r *siteRow) grade(column string, max int, to *chart.Grade) *fault {
	s := r.get(column)
	if s == "" {
		return nil
	}
	g, err := strconv.Atoi(s)
	if err != nil || g < 0 || g > max {
		return &fault{column, fmt.Sprintf("a grade from 0 to %d is needed", max)}
	}
	*to = chart.GradeOf(g)
	return nil
}

func (r *siteRow) lengthInto(column string, to *chart.MM) *fault {
	mm, f := r.length(column, 0, chart.MaxDepth)
	if mm.Known() && f == nil {
		*to = mm
	}
	return f
}

// asked is what was asked about the site.
func (r *siteRow) asked() map[string]any {
	asked := map[string]any{}
	for _, c := range []string{"exclude", "not_assessable"} {
		if s := r.get(c); s != "" {
			asked[c] = s
		}
	}
	if s := r.get("cej_unknown"); s != "" {
		asked["cej_unknown"] = inputOf(s)
	}
	return asked
}
