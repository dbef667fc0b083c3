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

// levelOf is the level of a count by two cut-offs.
func levelOf(n, moderate, high int) int {
	switch {
	case n >= high:
		return riskHigh
	case n >= moderate:
		return riskModerate
	}
	return riskLow
}

// riskRows are the rows of the risk table: each fills its finding and gives its level.
var riskRows = [...]struct {
	code string
	of   func(*mouth, *Finding) int
}{
	{"risk.bleeding", (*mouth).riskOfBleeding},
	{"risk.pockets", (*mouth).riskOfPockets},
	{"risk.teeth_lost", (*mouth).riskOfTeethLost},
	{"risk.bone_loss_age", (*mouth).riskOfBoneLoss},
	{"risk.systemic", (*mouth).riskOfSystemic},
	{"risk.smoking", (*mouth).riskOfSmoking},
}

// riskSites counts sites of permanent teeth but third molars.
type riskSites struct{ bleeding, answered, deep, probed, eligible int }

func (m *mouth) riskSites() (n riskSites) {
	for _, th := range m.scored {
		if th.t.ThirdMolar() || th.t.Primary() {
			continue
		}
		for s := range th.sites {
			v := &th.sites[s]
			n.eligible++
			if v.flags[chart.Bleeding].Recorded() {
				n.answered++
			}
			if v.flags[chart.Bleeding] == chart.Yes {
				n.bleeding++
			}
			if v.depth >= 0 {
				n.probed++
			}
			if int(v.depth) >= riskPocketDepth {
				n.deep++
			}
		}
	}
	return n
}

func (m *mouth) riskOfBleeding(f *Finding) (level int) {
	n := m.riskSites()
	f.Recorded, f.Eligible = n.answered, n.eligible
	if n.answered > 0 && 100*n.answered >= completePercent*n.eligible {
		level = riskLow
		switch {
		case 100*n.bleeding > riskBleedingHigh*n.answered:
			level = riskHigh
		case 100*n.bleeding >= riskBleedingModerate*n.answered:
			level = riskModerate
		}
		percent := fmt.Sprintf("%.1f", rounded(100*float64(n.bleeding)/float64(n.answered), 1))
		f.Text = percent + " percent of sites bleed."
		f.Because = []Evidence{input("score.bleeding_percent", percent)}
	}
	f.Provisional = n.answered < n.eligible
	return level
}

func (m *mouth) riskOfPockets(f *Finding) (level int) {
	n := m.riskSites()
	f.Recorded, f.Eligible = n.probed, n.eligible
	f.Because = m.collect(func(th *tooth, v *site, _ chart.Site) bool {
		return int(v.depth) >= riskPocketDepth && !th.t.ThirdMolar() && !th.t.Primary()
	}, (*tooth).depthEvidence)
	if n.probed > 0 {
		level = levelOf(n.deep, riskPocketsModerate, riskPocketsHigh)
		f.Text = many(n.deep, "site") + " of 5 mm or more."
		if 100*n.probed < completePercent*n.eligible && level < riskHigh {
			if level == riskLow {
				level = riskUnknown
			} else {
				f.AtLeast = true
			}
		}
	}
	f.Provisional = n.probed < n.eligible
	return level
}

// riskOfTeethLost counts the teeth lost of 28.
func (m *mouth) riskOfTeethLost(f *Finding) (level int) {
	if m.mentionedAll() || m.absent >= riskLostHigh {
		level = levelOf(m.absent, riskLostModerate, riskLostHigh)
		f.Text = fmt.Sprintf("%d of 28 teeth are lost.", m.absent)
	} else {
		f.Text = fmt.Sprintf("Of 28 teeth %d lost, and not mentioned: %d.", m.absent, len(m.unmentioned))
		f.Missing = []Missing{{Input: "state", Teeth: m.unmentioned, CouldBe: riskWords[1:], Question: "Are these teeth present?"}}
		level = levelOf(m.absent, riskLostModerate, riskLostHigh)
		f.Provisional, f.AtLeast = true, level < riskHigh // teeth count as present until called missing
	}
	f.Because = []Evidence{input("teeth_lost", fmt.Sprint(m.absent))}
	return level
}

// riskOfBoneLoss is bone loss over age.
func (m *mouth) riskOfBoneLoss(f *Finding) (level int) {
	p := m.p
	loss := p.BoneLossPosteriorPercent
	if worst, _ := m.boneWorst(); loss == nil && worst >= 0 {
		loss = &worst
		f.Notes = []string{"The bone loss of the worst tooth is taken for the worst posterior site."}
	}
	if loss != nil && p.Age != nil && *p.Age > 0 {
		age := float64(*p.Age)
		level = riskLow
		switch {
		case *loss > riskBoneAgeHigh*age:
			level = riskHigh
		case *loss > riskBoneAgeModerate*age:
			level = riskModerate
		}
		f.Text = fmt.Sprintf("Bone loss of %s percent at %d years, ratio %.2f.", decimal(*loss), *p.Age, rounded(*loss/age, 2))
		f.Because = []Evidence{input("bone_loss_percent", decimal(*loss)), input("age", fmt.Sprint(*p.Age))}
	} else {
		f.Missing = []Missing{{Input: "bone_loss_percent,age", CouldBe: riskWords[1:], Question: "Bone loss in percent at the worst posterior site, and age?"}}
	}
	return level
}

// riskOfSystemic asks for systemic and genetic factors; diabetes is one (from memory).
func (m *mouth) riskOfSystemic(f *Finding) (level int) {
	p := m.p
	switch {
	case yes(p.SystemicFactor) || yes(p.Diabetes):
		level, f.Text = riskHigh, "A systemic or genetic factor is present."
		key := "systemic_factor"
		if yes(p.Diabetes) {
			key = "diabetes"
		}
		f.Because = []Evidence{input(key, "true")}
	case no(p.SystemicFactor):
		level, f.Text = riskLow, "No systemic or genetic factor."
		f.Because = []Evidence{input("systemic_factor", "false")}
	default:
		f.Missing = []Missing{{Input: "systemic_factor", CouldBe: []string{"low", "high"}, Question: "Is there a systemic or genetic factor?"}}
	}
	return level
}

func (m *mouth) riskOfSmoking(f *Finding) (level int) {
	p := m.p
	stopped := p.SmokingStatus == "former"
	switch c := p.CigarettesPerDay; {
	case c != nil && *c >= riskSmokingModerate:
		level = levelOf(*c, riskSmokingModerate, riskSmokingHigh)
		f.Text = many(*c, "cigarette") + " a day."
		f.Because = []Evidence{input("cigarettes_per_day", fmt.Sprint(*c))}
	case stopped && p.SmokingStoppedYears == nil:
		f.Text = "Former smoker; when it stopped is unknown."
		f.Missing = []Missing{{Input: "smoking_stopped_years", CouldBe: []string{"low", "moderate"}, Question: "How many years ago did the patient stop smoking?"}}
	case stopped && *p.SmokingStoppedYears < riskStoppedYears:
		level, f.Text = riskModerate, "Stopped smoking less than five years ago."
		f.Because = []Evidence{input("smoking_stopped_years", decimal(*p.SmokingStoppedYears))}
	case stopped || p.SmokingStatus == "never" || c != nil && p.SmokingStatus != "current":
		level, f.Text = riskLow, "Does not smoke."
		if stopped {
			f.Text = "Stopped smoking five years ago or more."
		}
		if c != nil {
			f.Because = []Evidence{input("cigarettes_per_day", fmt.Sprint(*c))}
		} else {
			f.Because = []Evidence{input("smoking_status", p.SmokingStatus)}
		}
	case p.SmokingStatus == "current":
		level, f.AtLeast = riskModerate, true
		f.Text = "Smokes; how many cigarettes a day is unknown."
		f.Missing = []Missing{{Input: "cigarettes_per_day", CouldBe: []string{"moderate", "high"}, Question: "How many cigarettes a day?"}}
	default:
		f.Missing = []Missing{{Input: "cigarettes_per_day", CouldBe: riskWords[1:], Question: "Does the patient smoke, and how many cigarettes a day?"}}
	}
	return level
}

// riskOf gives the six rows of the risk table and the whole. Third molars are left out.
// Source: Lang and Tonetti 2003, Oral Health Prev Dent 1:7-16 (factors seen, secondary; cut-offs from memory).
func (m *mouth) riskOf() []Finding {
	out := []Finding{{Code: "risk.progression", Rule: "RISK", Source: srcRisk}}
	var rows, most [len(riskRows)]int
	lower := false // a row that is only a lower bound; teeth not mentioned count as present there
	for i, row := range riskRows {
		f := Finding{Code: row.code, Rule: "RISK", Source: srcRisk}
		rows[i] = row.of(m, &f)
		f.Value = word(riskWords[rows[i]])
		lower = lower || f.AtLeast && f.Code != "risk.teeth_lost"
		f.Provisional = f.Provisional || f.AtLeast || rows[i] == riskUnknown
		most[i] = rows[i]
		if rows[i] == riskUnknown || f.AtLeast {
			most[i] = riskHigh
		}
		if f.Text == "" {
			f.Text = "Not known."
		}
		out = append(out, f)
	}
	all, list := &out[0], out[1:]
	lo, hi := overallRisk(rows[:]), overallRisk(most[:])
	all.Value = word(riskWords[lo])
	for i, f := range list {
		all.Because = append(all.Because, input(f.Code, riskWords[rows[i]]))
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
		all.Value = word("indeterminate")
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
