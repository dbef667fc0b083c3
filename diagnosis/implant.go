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

func (m *mouth) implantOf(th *tooth) Finding {
	f := Finding{Code: "implant.status", Tooth: th.t, Rule: "IMPLANT", Source: srcImplant, Value: word("indeterminate"), Eligible: int(chart.NumSites)}
	in := th.asked.Implant
	if in == nil {
		in = &chart.ImplantInputs{}
	}
	name := "Implant " + m.label(th.t)
	inflamed, unknown := unsure, false
	deepest := chart.NumSites
	for s := range th.sites {
		v := &th.sites[s]
		if v.depth >= 0 {
			f.Recorded++
			if deepest == chart.NumSites || v.depth > th.sites[deepest].depth {
				deepest = chart.Site(s)
			}
		}
		bleeds, pus := v.flags[chart.Bleeding], v.flags[chart.Suppuration]
		if bleeds == chart.Yes || pus == chart.Yes {
			inflamed = isYes
			flag := chart.Bleeding
			if bleeds != chart.Yes {
				flag = chart.Suppuration
			}
			f.Because = append(f.Because, th.flagEvidence(chart.Site(s), flag))
		}
		unknown = unknown || bleeds == chart.NotRecorded
	}
	if inflamed != isYes && !unknown {
		inflamed = isNo
	}
	depth := -1
	if deepest < chart.NumSites {
		depth = int(th.sites[deepest].depth)
	}
	baseline := in.BaselineDepth != nil || in.BoneLoss != nil
	increase := in.BaselineDepth != nil && depth >= 0 && float64(depth)-*in.BaselineDepth >= implantIncrease
	askBone := Missing{Input: "implant.bone_loss", Teeth: []chart.Tooth{th.t}, CouldBe: []string{"mucositis", "peri-implantitis"},
		Question: "Does a radiograph show bone loss beyond first remodelling?"}
	addDepth := func() {
		if deepest < chart.NumSites {
			f.Because = append(f.Because, th.depthEvidence(deepest))
		}
	}
	addInput := func(key, value string) {
		e := input(key, value)
		e.Tooth = th.t
		f.Because = append(f.Because, e)
	}
	noBaselineMet := in.BoneLevelMM != nil && *in.BoneLevelMM >= implantBoneMM && depth >= implantDepth
	switch {
	case inflamed == isYes && yes(in.BoneLoss) && increase:
		f.Value, f.Text = word("peri-implantitis"), name+": bleeding or pus, deeper than before, and bone loss: peri-implantitis."
		addDepth()
		addInput("implant.bone_loss", "true")
	case inflamed == isYes && !baseline && noBaselineMet:
		f.Value, f.Text = word("peri-implantitis"), fmt.Sprintf("%s: bleeding or pus, depth %d mm and bone level %s mm, no baseline: peri-implantitis.", name, depth, decimal(*in.BoneLevelMM))
		addDepth()
		addInput("implant.bone_level_mm", decimal(*in.BoneLevelMM))
	case inflamed == isYes && no(in.BoneLoss):
		f.Value, f.Text = word("mucositis"), name+": bleeding or pus without bone loss beyond first remodelling: mucositis."
		addInput("implant.bone_loss", "false")
	case inflamed == isYes:
		f.Value, f.AtLeast, f.Text = word("mucositis"), true, name+": bleeding or pus: mucositis at least; peri-implantitis is not excluded."
		if yes(in.BoneLoss) {
			f.Text = name + ": bleeding or pus with bone loss, but no increase in depth is shown: mucositis at least; the clinician judges."
			addInput("implant.bone_loss", "true")
			f.Missing = append(f.Missing, Missing{Input: "implant.baseline_depth", Teeth: []chart.Tooth{th.t}, CouldBe: []string{"mucositis", "peri-implantitis"},
				Question: "What was the deepest site at the baseline?"})
		} else {
			f.Missing = append(f.Missing, askBone)
		}
	case yes(in.BoneLoss):
		f.Text = name + ": bone loss without bleeding or pus fits none of the three; the clinician judges."
		if inflamed == unsure {
			f.Text = name + ": bone loss, and no answer on bleeding at every site."
		}
		addInput("implant.bone_loss", "true")
	case yes(in.Inflamed):
		f.Text = name + ": redness or swelling without recorded bleeding or pus: not health; the clinician judges."
		addInput("implant.inflamed", "true")
	case inflamed == unsure || f.Recorded < f.Eligible:
		f.Text = fmt.Sprintf("%s: not determinable, %d of %d sites probed and not every answer on bleeding known.", name, f.Recorded, f.Eligible)
		f.Missing = append(f.Missing, Missing{Input: "depth,bleeding", Teeth: []chart.Tooth{th.t}, CouldBe: []string{"health", "mucositis", "peri-implantitis"},
			Question: "The implant is not probed all around, or bleeding has no answer."})
	case in.BoneLoss == nil && in.BoneLevelMM == nil:
		f.Text = name + ": no bleeding or pus, but bone was not asked about: health is not said; depth alone does not decide."
		f.Missing = append(f.Missing, Missing{Input: "implant.bone_loss", Teeth: []chart.Tooth{th.t}, CouldBe: []string{"health", "indeterminate"},
			Question: "Does a radiograph show bone loss beyond first remodelling?"})
		addDepth()
	case in.BoneLoss == nil && *in.BoneLevelMM >= implantBoneMM:
		f.Text = name + ": low bone level without bleeding or pus fits none of the three; the clinician judges."
		addInput("implant.bone_level_mm", decimal(*in.BoneLevelMM))
	case increase:
		f.Value, f.Text = word("health"), name+": no bleeding, no pus and no bone loss, but deeper than at the baseline: look again."
		f.Provisional = true
		addDepth()
	default:
		f.Value, f.Text = word("health"), name+": no bleeding, no pus, no bone loss: health; no depth defines it."
		addDepth()
	}
	if yes(in.Mobile) || th.rec.Mobility.Recorded() && th.rec.Mobility.Value() > 0 {
		f.Notes = append(f.Notes, name+" is mobile: the clinician looks at it now.")
	}
	f.Provisional = f.Provisional || f.AtLeast || f.Value.String() == "indeterminate"
	return f
}
