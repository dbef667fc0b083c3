package clinician

import (
	"context"
	"errors"
	"io"

	"leadsman/chart"
	"leadsman/grammar"
	"leadsman/speech"
)

// Setup is one exam to be played.
type Setup struct {
	Voice   *Voice
	Room    Room
	Profile Profile
	Seed    uint64
	Places  int       // so many places from the start of the path; 0 is the whole mouth
	Trace   io.Writer // nil: none
}

// Play plays an exam against the engine and compares the chart with the mouth. The same setup gives the same result.
func Play(engine speech.Engine, s Setup) (Result, error) {
	var tr *trace
	if s.Trace != nil {
		tr = &trace{out: s.Trace}
	}
	mouth := NewMouth(s.Seed)
	if s.Places > 0 {
		mouth = mouth[:s.Places]
	}
	t, err := newExamTool(engine, mouth, tr)
	if err != nil {
		return Result{}, err
	}
	defer t.close()
	res, err := play(s, mouth, t, tr)
	if err != nil {
		return res, err
	}
	res.Questions, res.Needless = t.questions, t.needless
	c, doubts, err := t.ex.Chart(context.Background())
	if err != nil {
		return res, err
	}
	open := map[chart.SiteRef]bool{}
	for _, d := range doubts {
		open[d.SiteRef] = true
	}
	compare(&res, mouth, c, open, tr)
	ideal, err := newIdealTool()
	if err != nil {
		return res, err
	}
	perfect, err := play(s, mouth, ideal, nil)
	res.Ideal = perfect.Seconds
	return res, err
}

// play lets the person talk to a tool.
func play(s Setup, mouth Mouth, t tool, tr *trace) (Result, error) {
	own, err := ownVoice()
	if err != nil {
		return Result{}, err
	}
	w, err := newWorld(s.Room, t, s.Profile.Mode, s.Seed, own, tr)
	if err != nil {
		return Result{}, err
	}
	p := &person{Profile: s.Profile, mouth: mouth, w: w, seed: s.Seed, trace: tr, voice: &mouthpiece{voice: s.Voice, last: map[string]int{}, dry: w.dry}}
	p.res.Visited = map[chart.Place]bool{}
	_, err = grammar.Parse(grammar.State{Numbering: chart.Universal, Listening: true}, []string{"where"})
	p.canWhere = err == nil
	p.gap = 80 + 120*p.rng("gap", 0, 0).Float64()
	p.aspect = mouth[0].Aspect
	if err := p.pass(ms(1000)); err != nil {
		return p.res, err
	}
	err = p.exam()
	if p.res.TimedOut = errors.Is(err, errLate); p.res.TimedOut {
		err = nil
	}
	p.res.Seconds = seconds(p.happened)
	return p.res, err
}

// compare holds the chart against the mouth. Silent is what is wrong and has no open doubt: a value that is not the true
// one, or one at a site that is none of the mouth's.
func compare(res *Result, mouth Mouth, c *chart.Chart, open map[chart.SiteRef]bool, tr *trace) {
	wrong := func(r chart.SiteRef, is string, truth int) {
		mark := "SILENT"
		if res.Wrong++; open[r] {
			res.Marked++
			mark = "marked"
		} else {
			res.Silent++
		}
		tr.line(0, "wrong", "%s %s: %s, true is %d: %s", r.Tooth.Label(chart.Universal), r.Site, is, truth, mark)
	}
	known := map[chart.SiteRef]bool{}
	for _, p := range mouth {
		for k, site := range p.Sites {
			r := chart.SiteRef{Tooth: p.Tooth, Site: site}
			known[r] = true
			switch d := c.Site(r).Depth; {
			case !d.Known():
				res.Missing++
				tr.line(0, "wrong", "%s %s: missing, true is %d", r.Tooth.Label(chart.Universal), r.Site, p.Depths[k])
			case d.Half() != 2*p.Depths[k]:
				wrong(r, d.String(), p.Depths[k])
			}
		}
	}
	for _, t := range chart.AllTeeth() {
		for site := range chart.NumSites {
			r := chart.SiteRef{Tooth: t, Site: site}
			if d := c.Site(r).Depth; !known[r] && d.Known() {
				wrong(r, d.String(), -1)
			}
		}
	}
}
