package diagnosis

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"leadsman/chart"
)

// A contradiction is a pair of answers that cannot both be right. It is named with every finding that rests on one of them,
// and none of these is final.
type contradiction struct {
	codes  []string // of findings
	inputs string   // what to look at again
	text   string
}

const caseCode, stageCode, gradeCode, riskCode = "periodontitis.case", "periodontitis.stage", "periodontitis.grade", "risk.progression"

// contradictions lists what in the answers and readings cannot be right together. Engineering choice: rules of arithmetic and of
// plain words, no source.
func (m *mouth) contradictions(cr *caseResult, st *stageResult) []contradiction {
	var out []contradiction
	p := m.p
	add := func(inputs, text string, codes ...string) {
		out = append(out, contradiction{codes, inputs, text})
	}
	worst, complete := -1, m.lossEligible > 0 && m.lossRecorded == m.lossEligible
	for _, th := range m.classed {
		worst = max(worst, int(th.worst))
	}
	none := complete && worst < m.o.detectable() // attachment loss is known everywhere, and there is none
	lost := m.lost
	if n := p.TeethLostPeriodontitis; n != nil {
		lost = max(lost, *n)
	}
	if lost > 0 && none {
		add("teeth_lost_periodontitis", fmt.Sprintf("%s lost to periodontitis, and no attachment loss at the teeth that are left: which is right?", many(lost, "tooth")), caseCode, stageCode)
	}
	if gaps := len(permanent) - m.naturalTeeth(); lost > gaps {
		add("teeth_lost_periodontitis", fmt.Sprintf("%s lost to periodontitis, and only %s without a natural tooth: which is right?", many(lost, "tooth"), many(gaps, "place")), caseCode, stageCode, "risk.teeth_lost")
	}
	if b := p.BoneLossPercent; b != nil {
		if worst, at := m.boneWorst(); at != 0 {
			add("bone_loss_percent", fmt.Sprintf("Bone loss of %s percent at the worst tooth, and of %s percent at %s: the greater one counts. Which is right?", decimal(*b), decimal(worst), m.label(at)), stageCode, gradeCode)
		}
	}
	for _, th := range m.classed {
		if th.bone >= stageBonePercentII && !th.open && int(th.worst) < m.o.detectable() {
			add("bone_loss_percent", fmt.Sprintf("Bone loss of %s percent at %s, and no attachment loss there: which is right?", decimal(th.bone), m.label(th.t)), caseCode, stageCode)
		}
	}
	for _, th := range m.classed {
		if cr.answer == isNo && th.byBone() && th.bone >= stageBonePercentII {
			add("bone_loss_percent", fmt.Sprintf("Bone loss of %s percent at %s, and no case of periodontitis, since no second tooth that is no neighbour shows loss: is there another cause, or is attachment loss to be measured?", decimal(th.bone), m.label(th.t)), caseCode)
		}
	}
	if b := p.BoneLossPercent; b != nil && *b > 0 && none {
		add("bone_loss_percent", fmt.Sprintf("Bone loss of %s percent, and no attachment loss anywhere: which is right?", decimal(*b)), caseCode, stageCode, gradeCode)
	}
	if b := p.BoneLossPercent; b != nil && *b == 0 && worst >= stageLossII {
		add("bone_loss_percent", fmt.Sprintf("No bone loss, and attachment loss of %d mm: which is right?", worst), caseCode, stageCode, gradeCode)
	}
	if b := p.BoneLossPercent; b != nil && *b <= stageBonePercentIII && yes(p.BoneLossMiddleThird) {
		add("bone_loss_middle_third", fmt.Sprintf("Bone loss of %s percent at the worst tooth, and loss down to the middle third of a root: which is right?", decimal(*b)), stageCode, gradeCode)
	}
	if no(p.Diabetes) && (p.HbA1cPercent != nil && *p.HbA1cPercent >= gradeHbA1cDiabetes || p.HbA1cMmolMol != nil && *p.HbA1cMmolMol >= gradeMmolMolDiabetes) {
		add("diabetes", "Diabetes is denied, and the HbA1c is that of a person with diabetes: which is right?", gradeCode, riskCode)
	}
	if a, b := p.HbA1cPercent, p.HbA1cMmolMol; a != nil && b != nil && math.Abs(hbA1cPercent(*b)-*a) > hbA1cSlack {
		add("hba1c_percent,hba1c_mmol_mol", fmt.Sprintf("HbA1c of %s percent and of %s mmol/mol, which is %.1f percent: which is right?", decimal(*a), decimal(*b), hbA1cPercent(*b)), gradeCode)
	}
	if c := p.CigarettesPerDay; c != nil {
		switch {
		case *c == 0 && p.SmokingStatus == "current":
			add("cigarettes_per_day", "Smokes now, with 0 cigarettes a day: which is right? (0 fits who only vapes or smokes something else.)", gradeCode, riskCode)
		case *c > 0 && (p.SmokingStatus == "never" || p.SmokingStatus == "former"):
			add("smoking_status", fmt.Sprintf("Does not smoke now, with %s a day: which is right?", many(*c, "cigarette")), gradeCode, riskCode)
		}
	}
	if cr.answer == isYes && st.in.severity > 0 && st.in.severity < 3 && st.in.lost < stageLostIII {
		for i := range st.factors {
			if fc := &st.factors[i]; fc.level == 4 && fc.decision == "confirmed" && fc.name != "few_teeth" {
				add(fc.because.Asked.Input, fmt.Sprintf("%s is a reason for stage IV, and the loss is that of stage %s: is it because of periodontitis?", capital(m.factorText(fc)), stageWords[st.in.severity]), stageCode)
			}
		}
	}
	if no(p.HistoryOfPeriodontitis) && p.EarlierStage != "" {
		add("history_of_periodontitis", "Periodontitis was never diagnosed, and stage "+p.EarlierStage+" was given earlier: which is right?", caseCode, stageCode)
	}
	if y, a := p.ProgressionYears, p.Age; y != nil && a != nil && *y > float64(*a) {
		add("progression_years", fmt.Sprintf("Progression over %s years in a patient of %d: which is right?", decimal(*y), *a), gradeCode)
	}
	return out
}

// naturalTeeth counts the permanent teeth that are called present, third molars included.
func (m *mouth) naturalTeeth() int {
	n := 0
	for _, t := range permanent {
		if m.c.Tooth(t).Presence == chart.Present {
			n++
		}
	}
	return n
}

// name adds contradictions to the findings that they concern, and to the chart's completeness.
func name(list []Finding, cs []contradiction) {
	for _, c := range cs {
		for i := range list {
			f := &list[i]
			concerned := slices.Contains(c.codes, f.Code) || slices.Contains(c.codes, caseCode) && strings.HasPrefix(f.Code, "gingiva.")
			if f.Code != "chart.completeness" && !concerned {
				continue
			}
			f.Missing = append(f.Missing, Missing{Input: c.inputs, Question: "These answers contradict each other. " + c.text})
			f.Provisional = true
		}
	}
}
