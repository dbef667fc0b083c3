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

// contradicting gathers what cannot be right together.
type contradicting struct {
	*mouth
	cr       *caseResult
	st       *stageResult
	worst    int  // interdental loss, mm; -1 not known
	complete bool // interdental loss is known everywhere
	found    []contradiction
}

// contradictions lists what in the answers and readings cannot be right together. Engineering choice: rules of arithmetic and of
// plain words, no source.
func (m *mouth) contradictions(cr *caseResult, st *stageResult) []contradiction {
	c := contradicting{mouth: m, cr: cr, st: st, worst: -1, complete: m.lossEligible > 0 && m.lossRecorded == m.lossEligible}
	for _, th := range m.classed {
		c.worst = max(c.worst, int(th.worst))
	}
	c.teethLost()
	c.boneOfTeeth()
	c.boneOfMouth()
	c.sugar()
	c.smoking()
	c.past()
	return c.found
}

func (c *contradicting) add(inputs, text string, codes ...string) {
	c.found = append(c.found, contradiction{codes, inputs, text})
}

// noLoss: attachment loss is known everywhere, and there is none.
func (c *contradicting) noLoss() bool { return c.complete && c.worst < c.o.detectable() }

func (c *contradicting) teethLost() {
	lost := c.lost
	if n := c.p.TeethLostPeriodontitis; n != nil {
		lost = max(lost, *n)
	}
	if lost > 0 && c.noLoss() {
		c.add("teeth_lost_periodontitis", fmt.Sprintf("%s lost to periodontitis, and no attachment loss at the teeth that are left: which is right?", many(lost, "tooth")), caseCode, stageCode)
	}
	if gaps := len(permanent) - c.naturalTeeth(); lost > gaps {
		c.add("teeth_lost_periodontitis", fmt.Sprintf("%s lost to periodontitis, and only %s without a natural tooth: which is right?", many(lost, "tooth"), many(gaps, "place")), caseCode, stageCode, "risk.teeth_lost")
	}
}

// boneOfTeeth sets the bone loss of single teeth beside that of the mouth and beside their attachment.
func (c *contradicting) boneOfTeeth() {
	if b := c.p.BoneLossPercent; b != nil {
		if worst, at := c.boneWorst(); at != 0 {
			c.add("bone_loss_percent", fmt.Sprintf("Bone loss of %s percent at the worst tooth, and of %s percent at %s: the greater one counts. Which is right?", decimal(*b), decimal(worst), c.label(at)), stageCode, gradeCode)
		}
	}
	for _, th := range c.classed {
		if th.bone >= stageBonePercentII && !th.open && int(th.worst) < c.o.detectable() {
			c.add("bone_loss_percent", fmt.Sprintf("Bone loss of %s percent at %s, and no attachment loss there: which is right?", decimal(th.bone), c.label(th.t)), caseCode, stageCode)
		}
	}
	for _, th := range c.classed {
		if c.cr.answer == isNo && th.byBone() && th.bone >= stageBonePercentII {
			c.add("bone_loss_percent", fmt.Sprintf("Bone loss of %s percent at %s, and no case of periodontitis, since no second tooth that is no neighbour shows loss: is there another cause, or is attachment loss to be measured?", decimal(th.bone), c.label(th.t)), caseCode)
		}
	}
}

// boneOfMouth sets the bone loss of the mouth beside its attachment.
func (c *contradicting) boneOfMouth() {
	b := c.p.BoneLossPercent
	if b == nil {
		return
	}
	if *b > 0 && c.noLoss() {
		c.add("bone_loss_percent", fmt.Sprintf("Bone loss of %s percent, and no attachment loss anywhere: which is right?", decimal(*b)), caseCode, stageCode, gradeCode)
	}
	if *b == 0 && c.worst >= stageLossII {
		c.add("bone_loss_percent", fmt.Sprintf("No bone loss, and attachment loss of %d mm: which is right?", c.worst), caseCode, stageCode, gradeCode)
	}
	if *b <= stageBonePercentIII && yes(c.p.BoneLossMiddleThird) {
		c.add("bone_loss_middle_third", fmt.Sprintf("Bone loss of %s percent at the worst tooth, and loss down to the middle third of a root: which is right?", decimal(*b)), stageCode, gradeCode)
	}
}

func (c *contradicting) sugar() {
	if no(c.p.Diabetes) && sugarOf(c.p).suspect {
		c.add("diabetes", "Diabetes is denied, and the HbA1c is that of a person with diabetes: which is right?", gradeCode, riskCode)
	}
	if a, b := c.p.HbA1cPercent, c.p.HbA1cMmolMol; a != nil && b != nil && math.Abs(hbA1cPercent(*b)-*a) > hbA1cSlack {
		c.add("hba1c_percent,hba1c_mmol_mol", fmt.Sprintf("HbA1c of %s percent and of %s mmol/mol, which is %.1f percent: which is right?", decimal(*a), decimal(*b), hbA1cPercent(*b)), gradeCode)
	}
}

func (c *contradicting) smoking() {
	n, status := c.p.CigarettesPerDay, c.p.SmokingStatus
	switch {
	case n == nil:
	case *n == 0 && status == "current":
		c.add("cigarettes_per_day", "Smokes now, with 0 cigarettes a day: which is right? (0 fits who only vapes or smokes something else.)", gradeCode, riskCode)
	case *n > 0 && (status == "never" || status == "former"):
		c.add("smoking_status", fmt.Sprintf("Does not smoke now, with %s a day: which is right?", many(*n, "cigarette")), gradeCode, riskCode)
	}
}

// past sets what was confirmed or happened earlier beside the loss that is there.
func (c *contradicting) past() {
	p, in := c.p, &c.st.in
	if c.cr.answer == isYes && in.severity > 0 && in.severity < 3 && in.lost < stageLostIII {
		for i := range c.st.factors {
			if fc := &c.st.factors[i]; fc.level == 4 && fc.decision == "confirmed" && fc.name != "few_teeth" {
				c.add(fc.because.Asked.Input, fmt.Sprintf("%s is a reason for stage IV, and the loss is that of stage %s: is it because of periodontitis?", capital(c.factorText(fc)), stageWords[in.severity]), stageCode)
			}
		}
	}
	if no(p.HistoryOfPeriodontitis) && p.EarlierStage != "" {
		c.add("history_of_periodontitis", "Periodontitis was never diagnosed, and stage "+p.EarlierStage+" was given earlier: which is right?", caseCode, stageCode)
	}
	if y, a := p.ProgressionYears, p.Age; y != nil && a != nil && *y > float64(*a) {
		c.add("progression_years", fmt.Sprintf("Progression over %s years in a patient of %d: which is right?", decimal(*y), *a), gradeCode)
	}
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
