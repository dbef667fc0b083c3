package diagnosis

import (
	"fmt"

	"leadsman/chart"
)

const (
	gradeA = iota + 1
	gradeB
	gradeC
)

var gradeWords = [...]string{"", "A", "B", "C"}

// grading is a grade on its way.
type grading struct {
	*mouth
	f     Finding
	grade int    // 0: nothing decided yet
	base  int    // before what only raises
	why   string // for people
}

// gradeOf gives the rate of progression: direct evidence over five years goes before bone loss per
// year of age, that before the phenotype; without any of them it is B, provisionally. Smoking and
// diabetes only raise it.
// Source: Tonetti et al. 2018, doi:10.1002/JPER.18-0006, table 4 (seen, secondary); start at B, and
// direct before indirect: Sanz et al. 2020, doi:10.1111/jcpe.13290, table 8 (seen).
func (m *mouth) gradeOf() Finding {
	g := grading{mouth: m, f: Finding{Code: "periodontitis.grade", Rule: "GRADE", Source: srcGrade}}
	progression := m.progression()
	g.byRadiographs()
	g.byCharts(progression)
	g.byBoneOverAge()
	g.byPhenotype()
	g.start()
	g.base = g.grade
	if q, ok := m.progressQuestion(progression); ok && g.grade < gradeC {
		q.CouldBe = gradesFrom(g.grade)
		g.ask(q)
	}
	g.smoking()
	g.diabetes()
	return g.finding()
}

// gradesFrom lists the words from a grade on.
func gradesFrom(grade int) []string { return gradeWords[grade:] }

func (g *grading) ask(q Missing) { g.f.Missing = append(g.f.Missing, q) }

func (g *grading) note(text string) { g.f.Notes = append(g.f.Notes, text) }

// byRadiographs takes the direct evidence that was entered: so many mm over so many years.
func (g *grading) byRadiographs() {
	p := g.p
	if p.ProgressionMM == nil || p.ProgressionYears == nil {
		return
	}
	mm, years := *p.ProgressionMM, *p.ProgressionYears
	long := years >= gradeDirectYears
	switch {
	case mm >= gradeDirectC && (!long || mm*gradeDirectYears >= gradeDirectC*years):
		g.grade = gradeC
	case long && mm == 0:
		g.grade = gradeA
	case long:
		g.grade = gradeB
	default:
		g.note("The direct evidence covers less than five years and shows less than 2 mm: it proves nothing and is not used.")
		return
	}
	g.f.Because = append(g.f.Because, input("progression_mm", decimal(mm)), input("progression_years", decimal(years)))
	g.why = fmt.Sprintf("%s mm lost in %s years", decimal(mm), decimal(years))
}

// byCharts takes loss beyond chance since the exam before, where even its lower bound is that of grade C.
func (g *grading) byCharts(progression *Finding) {
	if g.grade > 0 || progression == nil || progression.Value.String() != "beyond-chance" {
		return
	}
	r, ok := g.progress.rate(g.o.Earlier.Years)
	switch {
	case !ok:
	case r.Low >= gradeDirectC/gradeDirectYears:
		g.grade = gradeC
		g.f.Because = append(g.f.Because, progression.Because...)
		g.why = fmt.Sprintf("attachment loss beyond chance since the exam before, %.1f mm a year at these sites (95 percent interval %.1f to %.1f)", r.PerYear, r.Low, r.High)
		g.note("Progression is taken from two charts; radiographs should confirm it.")
	default:
		g.note(fmt.Sprintf("Attachment was lost since the exam before, but the rate (%.1f mm a year, 95 percent interval %.1f to %.1f) does not exclude less than 2 mm in five years.", r.PerYear, r.Low, r.High))
	}
}

func (g *grading) byBoneOverAge() {
	bone, at := g.boneWorst()
	if g.grade > 0 || bone < 0 || !g.aged() {
		return
	}
	age := float64(*g.p.Age)
	switch {
	case bone < gradeBoneAgeA*age:
		g.grade = gradeA
	case bone > gradeBoneAgeC*age:
		g.grade = gradeC
	default:
		g.grade = gradeB
	}
	if bone == gradeBoneAgeC*age {
		g.note("Bone loss over age is exactly 1.0: grade B here; some copies of the table print 1.0 or more for C.")
	}
	e := input("bone_loss_percent", decimal(bone))
	e.Tooth = at
	g.f.Because = append(g.f.Because, e, input("age", decimal(age)))
	g.why = fmt.Sprintf("bone loss of %s percent at %s years, ratio %.2f", decimal(bone), decimal(age), rounded(bone/age, 2))
}

// aged reports whether there is an age to divide by.
func (m *mouth) aged() bool { return m.p.Age != nil && *m.p.Age > 0 }

// phenotypes are the grades by destruction against biofilm, with their words.
var phenotypes = map[string]struct {
	grade int
	why   string
}{
	"A": {gradeA, "heavy biofilm with little destruction"},
	"B": {gradeB, "destruction in step with biofilm"},
	"C": {gradeC, "destruction exceeds biofilm"},
}

func (g *grading) byPhenotype() {
	if t, ok := phenotypes[g.p.Phenotype]; ok && g.grade == 0 {
		g.grade, g.why = t.grade, t.why
		g.f.Because = append(g.f.Because, input("phenotype", g.p.Phenotype))
	}
}

// start is B, where nothing is known of progression: it asks for what would tell.
func (g *grading) start() {
	if g.grade > 0 {
		return
	}
	g.grade, g.f.Provisional = gradeB, true
	g.why = "nothing is known of progression yet, so the table's starting point"
	all := gradesFrom(gradeA)
	if bone, _ := g.boneWorst(); bone < 0 {
		g.ask(Missing{Input: "bone_loss_percent", CouldBe: all, Question: "Radiographic bone loss in percent of the root at the worst tooth?"})
	}
	if !g.aged() {
		g.ask(Missing{Input: "age", CouldBe: all, Question: "Age in years?"})
	}
	g.ask(Missing{Input: "phenotype", CouldBe: all, Question: "Does destruction exceed what the biofilm would lead one to expect?"})
}

// raise lifts the grade to that of a modifier, which is named where it changes the grade that progression alone gives.
func (g *grading) raise(to int, because Evidence, text string) {
	if to > g.base {
		g.f.Because = append(g.f.Because, because)
		g.why += "; " + text
	}
	g.grade = max(g.grade, to)
}

func (g *grading) smoking() {
	p := g.p
	switch n := p.CigarettesPerDay; {
	case n != nil && *n >= gradeSmokingC:
		g.raise(gradeC, input("cigarettes_per_day", decimal(float64(*n))), many(*n, "cigarette")+" a day")
	case n != nil && *n >= gradeSmokingB:
		g.raise(gradeB, input("cigarettes_per_day", decimal(float64(*n))), many(*n, "cigarette")+" a day")
	case n == nil && p.SmokingStatus == "current":
		g.raise(gradeB, input("smoking_status", "current"), "smokes")
		g.f.AtLeast = g.grade < gradeC
		if g.f.AtLeast {
			g.ask(Missing{Input: "cigarettes_per_day", CouldBe: gradesFrom(g.grade), Question: "How many cigarettes a day?"})
		}
	case n == nil && p.SmokingStatus == "" && g.grade < gradeC:
		g.ask(Missing{Input: "cigarettes_per_day", CouldBe: gradesFrom(g.grade), Question: "Does the patient smoke, and how many cigarettes a day?"})
	}
	if p.SmokingStatus == "former" {
		g.note("Former smoker: no published value, no shift.")
	}
	if yes(p.Vaping) {
		g.note("Vaping: no published value, no shift.")
	}
}

// sugar is what the HbA1c says, in whichever unit it was given.
type sugar struct {
	measured bool
	high     bool // that of grade C
	suspect  bool // that of a person with diabetes
}

func sugarOf(p *chart.Patient) (s sugar) {
	if h := p.HbA1cPercent; h != nil {
		s = sugar{true, *h >= gradeHbA1cC, *h >= gradeHbA1cDiabetes}
	}
	if h := p.HbA1cMmolMol; h != nil {
		s = sugar{true, s.high || *h >= gradeHbA1cMmolMolC, s.suspect || *h >= gradeMmolMolDiabetes}
	}
	return s
}

// sugarEvidence is the HbA1c that was measured.
func sugarEvidence(p *chart.Patient) Evidence {
	if p.HbA1cPercent != nil {
		return input("hba1c_percent", decimal(*p.HbA1cPercent))
	}
	return input("hba1c_mmol_mol", decimal(*p.HbA1cMmolMol))
}

func (g *grading) diabetes() {
	p, hbA1c := g.p, sugarOf(g.p)
	switch {
	case no(p.Diabetes): // an HbA1c that says otherwise is a contradiction, named with the finding
	case hbA1c.high:
		g.raise(gradeC, sugarEvidence(p), "HbA1c of 7.0 percent or more")
	case hbA1c.measured && (yes(p.Diabetes) || hbA1c.suspect):
		g.raise(gradeB, sugarEvidence(p), "diabetes with HbA1c under 7.0 percent")
		if p.Diabetes == nil {
			g.note("Diabetes was not asked; an HbA1c of 6.5 percent or more is taken for it.")
			if g.base == gradeA {
				g.ask(Missing{Input: "diabetes", CouldBe: []string{"A", "B"}, Question: "Does the patient have diabetes?"})
			}
		}
	case yes(p.Diabetes):
		g.raise(gradeB, input("diabetes", "true"), "diabetes")
		if g.grade < gradeC {
			g.f.AtLeast = true
			g.ask(Missing{Input: "hba1c_percent", CouldBe: gradesFrom(g.grade), Question: "What is the HbA1c?"})
		}
	case p.Diabetes == nil && !hbA1c.measured && g.grade < gradeC:
		g.ask(Missing{Input: "hba1c_percent", CouldBe: gradesFrom(g.grade), Question: "Does the patient have diabetes, and what is the HbA1c?"})
	}
}

// onlyUp reports whether what is missing could raise the grade, and none of it could lower it.
func (g *grading) onlyUp() bool {
	up, down := false, false
	for i := range g.f.Missing {
		for _, w := range g.f.Missing[i].CouldBe {
			up, down = up || w > gradeWords[g.grade], down || w < gradeWords[g.grade]
		}
	}
	return up && !down
}

func (g *grading) finding() Finding {
	f, w := &g.f, gradeWords[g.grade]
	f.AtLeast = f.AtLeast || g.grade < gradeC && g.onlyUp()
	f.Value = word(w)
	f.Provisional = f.Provisional || f.AtLeast || f.open()
	f.Text = "Grade " + w + ": " + g.why + "."
	if f.AtLeast {
		f.Text = "Grade " + w + " at least: " + g.why + "."
	}
	if e := g.p.EarlierGrade; e != "" && e != w {
		g.note("Given earlier: grade " + e + ". A grade can go either way at later visits.")
	}
	return *f
}

// progressQuestion asks about loss since the exam before that would raise the grade if it were sure.
func (m *mouth) progressQuestion(f *Finding) (q Missing, ok bool) {
	if f == nil || m.p.ProgressionMM != nil {
		return q, false
	}
	switch f.Value.String() {
	case "question", "confirmed-sites", "beyond-chance":
		return m.confirm(m.progress)
	}
	return q, false
}

// hbA1cPercent turns mmol/mol (IFCC) into percent (NGSP). Rules compare mmol/mol with 53, which is
// 7.0 percent. Source: the master equation, from memory.
func hbA1cPercent(mmolMol float64) float64 { return 0.0915*mmolMol + 2.15 }
