package diagnosis

import (
	"fmt"
	"strings"

	"leadsman/chart"
)

const (
	riskUnknown = iota
	riskLow
	riskModerate
	riskHigh
)

var riskWords = [...]string{"indeterminate", "low", "moderate", "high"}

// overallRisk combines the rows of the risk table: high if two rows are high, else moderate if two
// are moderate; exactly one high row with at most one moderate is not described and counts as
// moderate (engineering choice); else low.
// Source: Lang and Tonetti 2003, Oral Health Prev Dent 1:7-16 (from memory).
func overallRisk(rows []int) int {
	high, moderate := 0, 0
	for _, r := range rows {
		switch r {
		case riskHigh:
			high++
		case riskModerate:
			moderate++
		}
	}
	switch {
	case high >= riskManyHigh:
		return riskHigh
	case moderate >= riskManyModerate || high > 0:
		return riskModerate
	}
	return riskLow
}

// riskOf gives the six rows of the risk table and the whole. Third molars are left out.
// Source: Lang and Tonetti 2003, Oral Health Prev Dent 1:7-16 (factors seen, secondary; cut-offs from memory).
func (m *mouth) riskOf() []Finding {
	p := m.p
	row := func(code string) Finding {
		return Finding{Code: code, Rule: "RISK", Source: srcRisk}
	}
	var rows [6]int
	lower := false // a row that is only a lower bound

	// Bleeding and pockets.
	bleed, pockets := row("risk.bleeding"), row("risk.pockets")
	n, answered, deep, probed, eligible := 0, 0, 0, 0, 0
	for _, th := range m.scored {
		if th.t.ThirdMolar() || th.t.Primary() {
			continue
		}
		for s := range th.sites {
			v := &th.sites[s]
			eligible++
			if v.flags[chart.Bleeding].Recorded() {
				answered++
			}
			if v.flags[chart.Bleeding] == chart.Yes {
				n++
			}
			if v.depth >= 0 {
				probed++
			}
			if int(v.depth) >= riskPocketDepth {
				deep++
			}
		}
	}
	pockets.Because = m.collect(func(th *tooth, v *site, _ chart.Site) bool {
		return int(v.depth) >= riskPocketDepth && !th.t.ThirdMolar() && !th.t.Primary()
	}, (*tooth).depthEvidence)
	bleed.Recorded, bleed.Eligible, pockets.Recorded, pockets.Eligible = answered, eligible, probed, eligible
	if answered > 0 && 100*answered >= completePercent*eligible {
		rows[0] = riskLow
		switch {
		case 100*n > riskBleedingHigh*answered:
			rows[0] = riskHigh
		case 100*n >= riskBleedingModerate*answered:
			rows[0] = riskModerate
		}
		bleed.Text = fmt.Sprintf("%.1f percent of sites bleed.", rounded(100*float64(n)/float64(answered), 1))
		bleed.Because = []Evidence{input("score.bleeding_percent", fmt.Sprintf("%.1f", rounded(100*float64(n)/float64(answered), 1)))}
	}
	bleed.Provisional = answered < eligible
	level := func(n, moderate, high int) int {
		switch {
		case n >= high:
			return riskHigh
		case n >= moderate:
			return riskModerate
		}
		return riskLow
	}
	if probed > 0 {
		rows[1] = level(deep, riskPocketsModerate, riskPocketsHigh)
		pockets.Text = many(deep, "site") + " of 5 mm or more."
		if 100*probed < completePercent*eligible && rows[1] < riskHigh {
			if rows[1] == riskLow {
				rows[1] = riskUnknown
			} else {
				pockets.AtLeast, lower = true, true
			}
		}
	}
	pockets.Provisional = probed < eligible

	// Teeth lost of 28.
	lost := row("risk.teeth_lost")
	if m.mentionedAll() || m.absent >= riskLostHigh {
		rows[2] = level(m.absent, riskLostModerate, riskLostHigh)
		lost.Text = fmt.Sprintf("%d of 28 teeth are lost.", m.absent)
	} else {
		lost.Text = fmt.Sprintf("Of 28 teeth %d lost, and not mentioned: %d.", m.absent, len(m.unmentioned))
		lost.Missing = []Missing{{Input: "state", Teeth: m.unmentioned, CouldBe: riskWords[1:], Question: "Are these teeth present?"}}
		rows[2] = level(m.absent, riskLostModerate, riskLostHigh)
		lost.Provisional, lost.AtLeast = true, rows[2] < riskHigh // teeth count as present until called missing
	}
	lost.Because = []Evidence{input("teeth_lost", fmt.Sprint(m.absent))}

	// Bone loss over age.
	bone := row("risk.bone_loss_age")
	loss := p.BoneLossPosteriorPercent
	if worst, _ := m.boneWorst(); loss == nil && worst >= 0 {
		loss = &worst
		bone.Notes = []string{"The bone loss of the worst tooth is taken for the worst posterior site."}
	}
	if loss != nil && p.Age != nil && *p.Age > 0 {
		age := float64(*p.Age)
		rows[3] = riskLow
		switch {
		case *loss > riskBoneAgeHigh*age:
			rows[3] = riskHigh
		case *loss > riskBoneAgeModerate*age:
			rows[3] = riskModerate
		}
		bone.Text = fmt.Sprintf("Bone loss of %s percent at %d years, ratio %.2f.", decimal(*loss), *p.Age, rounded(*loss/age, 2))
		bone.Because = []Evidence{input("bone_loss_percent", decimal(*loss)), input("age", fmt.Sprint(*p.Age))}
	} else {
		bone.Missing = []Missing{{Input: "bone_loss_percent,age", CouldBe: riskWords[1:], Question: "Bone loss in percent at the worst posterior site, and age?"}}
	}

	// Systemic and genetic factors; diabetes is one (from memory).
	systemic := row("risk.systemic")
	switch {
	case yes(p.SystemicFactor) || yes(p.Diabetes):
		rows[4], systemic.Text = riskHigh, "A systemic or genetic factor is present."
		key := "systemic_factor"
		if yes(p.Diabetes) {
			key = "diabetes"
		}
		systemic.Because = []Evidence{input(key, "true")}
	case no(p.SystemicFactor):
		rows[4], systemic.Text = riskLow, "No systemic or genetic factor."
		systemic.Because = []Evidence{input("systemic_factor", "false")}
	default:
		systemic.Missing = []Missing{{Input: "systemic_factor", CouldBe: []string{"low", "high"}, Question: "Is there a systemic or genetic factor?"}}
	}

	// Smoking.
	smoking := row("risk.smoking")
	stopped := p.SmokingStatus == "former"
	switch c := p.CigarettesPerDay; {
	case c != nil && *c >= riskSmokingModerate:
		rows[5] = level(*c, riskSmokingModerate, riskSmokingHigh)
		smoking.Text = many(*c, "cigarette") + " a day."
		smoking.Because = []Evidence{input("cigarettes_per_day", fmt.Sprint(*c))}
	case stopped && p.SmokingStoppedYears == nil:
		smoking.Text = "Former smoker; when it stopped is unknown."
		smoking.Missing = []Missing{{Input: "smoking_stopped_years", CouldBe: []string{"low", "moderate"}, Question: "How many years ago did the patient stop smoking?"}}
	case stopped && *p.SmokingStoppedYears < riskStoppedYears:
		rows[5], smoking.Text = riskModerate, "Stopped smoking less than five years ago."
		smoking.Because = []Evidence{input("smoking_stopped_years", decimal(*p.SmokingStoppedYears))}
	case stopped || p.SmokingStatus == "never" || c != nil && p.SmokingStatus != "current":
		rows[5], smoking.Text = riskLow, "Does not smoke."
		if stopped {
			smoking.Text = "Stopped smoking five years ago or more."
		}
		if c != nil {
			smoking.Because = []Evidence{input("cigarettes_per_day", fmt.Sprint(*c))}
		} else {
			smoking.Because = []Evidence{input("smoking_status", p.SmokingStatus)}
		}
	case p.SmokingStatus == "current":
		rows[5], lower, smoking.AtLeast = riskModerate, true, true
		smoking.Text = "Smokes; how many cigarettes a day is unknown."
		smoking.Missing = []Missing{{Input: "cigarettes_per_day", CouldBe: []string{"moderate", "high"}, Question: "How many cigarettes a day?"}}
	default:
		smoking.Missing = []Missing{{Input: "cigarettes_per_day", CouldBe: riskWords[1:], Question: "Does the patient smoke, and how many cigarettes a day?"}}
	}

	out := []Finding{row("risk.progression"), bleed, pockets, lost, bone, systemic, smoking}
	all, list := &out[0], out[1:]
	least, most := rows[:], append([]int(nil), rows[:]...)
	for i := range list {
		f := &list[i]
		f.Value = Word(riskWords[rows[i]])
		f.Provisional = f.Provisional || f.AtLeast || rows[i] == riskUnknown
		if rows[i] == riskUnknown || f.AtLeast {
			most[i] = riskHigh
		}
		if f.Text == "" {
			f.Text = "Not known."
		}
	}
	lo, hi := overallRisk(least), overallRisk(most)
	all.Value = Word(riskWords[lo])
	for i, f := range list {
		v := riskWords[rows[i]]
		all.Because = append(all.Because, input(f.Code, v))
		all.Missing = append(all.Missing, f.Missing...)
	}
	gap := lo == riskModerate && count(rows[:], riskHigh) == 1 && count(rows[:], riskModerate) < riskManyModerate
	switch {
	case lo == hi:
		all.Text = "Risk of progression by the six factors: " + riskWords[lo] + "."
		if lower {
			all.Provisional = true
		}
	case lo == riskLow:
		all.Value = Word("indeterminate")
		all.Text = "Risk of progression not determinable; not known: " + unknownRows(rows[:], list) + "."
	default:
		all.AtLeast = true
		all.Text = "Risk of progression by the six factors: " + riskWords[lo] + " at least; not known: " + unknownRows(rows[:], list) + "."
	}
	if gap {
		all.Notes = append(all.Notes, "One high row with at most one moderate is not described in the source; moderate is our choice.")
	}
	all.Provisional = all.Provisional || lo != hi
	for i := range all.Missing {
		all.Missing[i].CouldBe = nil
		for l := lo; l <= hi; l++ {
			all.Missing[i].CouldBe = append(all.Missing[i].CouldBe, riskWords[l])
		}
	}
	return out
}

// unknownRows names the rows of the table that are not known, or not well enough.
func unknownRows(rows []int, list []Finding) string {
	names := [...]string{"bleeding", "pockets", "teeth lost", "bone loss for the age", "systemic or genetic factors", "smoking"}
	var out []string
	for i, r := range rows {
		if r == riskUnknown || list[i].AtLeast {
			out = append(out, names[i])
		}
	}
	return strings.Join(out, ", ")
}

func count(rows []int, r int) int {
	n := 0
	for _, x := range rows {
		if x == r {
			n++
		}
	}
	return n
}
