package diagnosis

import (
	"fmt"

	"leadsman/chart"
)

// implantsOf judges each implant by itself; implants are never in the percentages of teeth.
// Source: Berglundh et al. 2018, doi:10.1111/jcpe.12957 (seen, secondary).
func (m *mouth) implantsOf() []Finding {
	var out []Finding
	for i := range m.teeth {
		if th := &m.teeth[i]; th.stand == implant {
			out = append(out, m.implantOf(th))
		}
	}
	return out
}

// around is what was found around an implant.
type around struct {
	*mouth
	th       *tooth
	in       chart.ImplantInputs
	f        Finding
	name     string
	inflamed answer     // bleeding or pus at any site
	deepest  chart.Site // NumSites: not probed
	depth    int        // there, in whole mm; -1 not known
}

func (m *mouth) implantOf(th *tooth) Finding {
	a := around{mouth: m, th: th, name: "Implant " + m.label(th.t), deepest: chart.NumSites, depth: -1,
		f: Finding{Code: "implant.status", Tooth: th.t, Rule: "IMPLANT", Source: srcImplant, Value: word("indeterminate"), Eligible: int(chart.NumSites)}}
	if th.asked.Implant != nil {
		a.in = *th.asked.Implant
	}
	a.read()
	if a.inflamed == isYes {
		a.sick()
	} else {
		a.quiet()
	}
	f := &a.f
	if yes(a.in.Mobile) || th.rec.Mobility.Recorded() && th.rec.Mobility.Value() > 0 {
		f.Notes = append(f.Notes, a.name+" is mobile: the clinician looks at it now.")
	}
	f.Provisional = f.Provisional || f.AtLeast || f.Value.String() == "indeterminate"
	return *f
}

// read goes around the implant.
func (a *around) read() {
	unknown := false
	for s := range a.th.sites {
		v := &a.th.sites[s]
		if v.depth >= 0 {
			a.f.Recorded++
			if int(v.depth) > a.depth {
				a.deepest, a.depth = chart.Site(s), int(v.depth)
			}
		}
		switch chart.Yes {
		case v.flags[chart.Bleeding]:
			a.inflamed = isYes
			a.f.Because = append(a.f.Because, a.th.flagEvidence(chart.Site(s), chart.Bleeding))
		case v.flags[chart.Suppuration]:
			a.inflamed = isYes
			a.f.Because = append(a.f.Because, a.th.flagEvidence(chart.Site(s), chart.Suppuration))
		}
		unknown = unknown || v.flags[chart.Bleeding] == chart.NotRecorded
	}
	if a.inflamed != isYes && !unknown {
		a.inflamed = isNo
	}
}

// deeper reports whether the depth has grown since the baseline.
func (a *around) deeper() bool {
	return a.in.BaselineDepth != nil && a.depth >= 0 && float64(a.depth)-*a.in.BaselineDepth >= implantIncrease
}

// severe reports whether bone level and depth make peri-implantitis where there is no baseline.
func (a *around) severe() bool {
	return a.in.BaselineDepth == nil && a.in.BoneLoss == nil && a.in.BoneLevelMM != nil && *a.in.BoneLevelMM >= implantBoneMM && a.depth >= implantDepth
}

func (a *around) is(value, text string) { a.f.Value, a.f.Text = word(value), a.name+": "+text }

// says gives no value, and why.
func (a *around) says(text string) { a.f.Text = a.name + ": " + text }

// onDepth and onInput name what the answer rests on.
func (a *around) onDepth() {
	if a.deepest < chart.NumSites {
		a.f.Because = append(a.f.Because, a.th.depthEvidence(a.deepest))
	}
}

func (a *around) onInput(key, value string) {
	e := input(key, value)
	e.Tooth = a.th.t
	a.f.Because = append(a.f.Because, e)
}

func (a *around) ask(key, question string, couldBe ...string) {
	a.f.Missing = append(a.f.Missing, Missing{Input: key, Teeth: []chart.Tooth{a.th.t}, CouldBe: couldBe, Question: question})
}

const askImplantBone = "Does a radiograph show bone loss beyond first remodelling?"

// sick judges an implant with bleeding or pus; the first that holds counts.
func (a *around) sick() {
	switch {
	case yes(a.in.BoneLoss) && a.deeper():
		a.is("peri-implantitis", "bleeding or pus, deeper than before, and bone loss: peri-implantitis.")
		a.onDepth()
		a.onInput("implant.bone_loss", "true")
	case a.severe():
		a.is("peri-implantitis", fmt.Sprintf("bleeding or pus, depth %d mm and bone level %s mm, no baseline: peri-implantitis.", a.depth, decimal(*a.in.BoneLevelMM)))
		a.onDepth()
		a.onInput("implant.bone_level_mm", decimal(*a.in.BoneLevelMM))
	case no(a.in.BoneLoss):
		a.is("mucositis", "bleeding or pus without bone loss beyond first remodelling: mucositis.")
		a.onInput("implant.bone_loss", "false")
	case yes(a.in.BoneLoss):
		a.is("mucositis", "bleeding or pus with bone loss, but no increase in depth is shown: mucositis at least; the clinician judges.")
		a.f.AtLeast = true
		a.onInput("implant.bone_loss", "true")
		a.ask("implant.baseline_depth", "What was the deepest site at the baseline?", "mucositis", "peri-implantitis")
	default:
		a.is("mucositis", "bleeding or pus: mucositis at least; peri-implantitis is not excluded.")
		a.f.AtLeast = true
		a.ask("implant.bone_loss", askImplantBone, "mucositis", "peri-implantitis")
	}
}

// quiet judges an implant at which neither bleeding nor pus was found; the first that holds counts.
func (a *around) quiet() {
	switch {
	case yes(a.in.BoneLoss):
		a.says("bone loss without bleeding or pus fits none of the three; the clinician judges.")
		if a.inflamed == unsure {
			a.says("bone loss, and no answer on bleeding at every site.")
		}
		a.onInput("implant.bone_loss", "true")
	case yes(a.in.Inflamed):
		a.says("redness or swelling without recorded bleeding or pus: not health; the clinician judges.")
		a.onInput("implant.inflamed", "true")
	case a.inflamed == unsure || a.f.Recorded < a.f.Eligible:
		a.says(fmt.Sprintf("not determinable, %d of %d sites probed and not every answer on bleeding known.", a.f.Recorded, a.f.Eligible))
		a.ask("depth,bleeding", "The implant is not probed all around, or bleeding has no answer.", "health", "mucositis", "peri-implantitis")
	case a.in.BoneLoss == nil && a.in.BoneLevelMM == nil:
		a.says("no bleeding or pus, but bone was not asked about: health is not said; depth alone does not decide.")
		a.ask("implant.bone_loss", askImplantBone, "health", "indeterminate")
		a.onDepth()
	case a.in.BoneLoss == nil && *a.in.BoneLevelMM >= implantBoneMM:
		a.says("low bone level without bleeding or pus fits none of the three; the clinician judges.")
		a.onInput("implant.bone_level_mm", decimal(*a.in.BoneLevelMM))
	case a.deeper():
		a.is("health", "no bleeding, no pus and no bone loss, but deeper than at the baseline: look again.")
		a.f.Provisional = true
		a.onDepth()
	default:
		a.is("health", "no bleeding, no pus, no bone loss: health; no depth defines it.")
		a.onDepth()
	}
}
