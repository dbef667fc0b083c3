package diagnosis

import "fmt"

const (
	gradeA = iota + 1
	gradeB
	gradeC
)

var gradeWords = [...]string{"", "A", "B", "C"}

// gradeOf gives the rate of progression: direct evidence over five years goes before bone loss per
// year of age, that before the phenotype; without any of them it is B, provisionally. Smoking and
// diabetes only raise it.
// Source: Tonetti et al. 2018, doi:10.1002/JPER.18-0006, table 4 (seen, secondary); start at B, and
// direct before indirect: Sanz et al. 2020, doi:10.1111/jcpe.13290, table 8 (seen).
func (m *mouth) gradeOf() Finding {
	f := Finding{Code: "periodontitis.grade", Rule: "GRADE", Source: srcGrade}
	p := m.p
	g := 0
	why := ""
	abc := []string{"A", "B", "C"}

	// 1 Direct evidence.
	if p.ProgressionMM != nil && p.ProgressionYears != nil {
		mm, years := *p.ProgressionMM, *p.ProgressionYears
		long := years >= gradeDirectYears
		switch {
		case mm >= gradeDirectC && (!long || mm*gradeDirectYears >= gradeDirectC*years):
			g = gradeC
		case long && mm == 0:
			g = gradeA
		case long:
			g = gradeB
		}
		e := []Evidence{input("progression_mm", decimal(mm)), input("progression_years", decimal(years))}
		if g > 0 {
			f.Because = append(f.Because, e...)
			why = fmt.Sprintf("%s mm lost in %s years", decimal(mm), decimal(years))
		} else {
			f.Notes = append(f.Notes, "The direct evidence covers less than five years and shows less than 2 mm: it proves nothing and is not used.")
		}
	}
	progression := m.progression()
	if progression != nil && progression.Value.String() == "beyond-chance" {
		r, ok := m.progress.rate(m.o.Earlier.Years)
		switch {
		case g > 0:
		case ok && r.Low >= gradeDirectC/gradeDirectYears:
			g = gradeC
			f.Because = append(f.Because, progression.Because...)
			why = fmt.Sprintf("attachment loss beyond chance since the exam before, %.1f mm a year at these sites (95 percent interval %.1f to %.1f)", r.PerYear, r.Low, r.High)
			f.Notes = append(f.Notes, "Progression is taken from two charts; radiographs should confirm it.")
		case ok:
			f.Notes = append(f.Notes, fmt.Sprintf("Attachment was lost since the exam before, but the rate (%.1f mm a year, 95 percent interval %.1f to %.1f) does not exclude less than 2 mm in five years.", r.PerYear, r.Low, r.High))
		}
	}
	// 2 Bone loss per year of age.
	if bone, at := m.boneWorst(); g == 0 && bone >= 0 && p.Age != nil && *p.Age > 0 {
		age := float64(*p.Age)
		switch {
		case bone < gradeBoneAgeA*age:
			g = gradeA
		case bone > gradeBoneAgeC*age:
			g = gradeC
		default:
			g = gradeB
		}
		if bone == gradeBoneAgeC*age {
			f.Notes = append(f.Notes, "Bone loss over age is exactly 1.0: grade B here; some copies of the table print 1.0 or more for C.")
		}
		e := input("bone_loss_percent", decimal(bone))
		e.Tooth = at
		f.Because = append(f.Because, e, input("age", decimal(age)))
		why = fmt.Sprintf("bone loss of %s percent at %s years, ratio %.2f", decimal(bone), decimal(age), rounded(bone/age, 2))
	}
	// 3 Phenotype.
	if g == 0 && p.Phenotype != "" {
		g = map[string]int{"A": gradeA, "B": gradeB, "C": gradeC}[p.Phenotype]
		f.Because = append(f.Because, input("phenotype", p.Phenotype))
		why = map[string]string{"A": "heavy biofilm with little destruction", "B": "destruction in step with biofilm", "C": "destruction exceeds biofilm"}[p.Phenotype]
	}
	// 4 The start.
	if g == 0 {
		g = gradeB
		why = "nothing is known of progression yet, so the table's starting point"
		f.Provisional = true
		if bone, _ := m.boneWorst(); bone < 0 {
			f.Missing = append(f.Missing, Missing{Input: "bone_loss_percent", CouldBe: abc, Question: "Radiographic bone loss in percent of the root at the worst tooth?"})
		}
		if p.Age == nil || *p.Age == 0 {
			f.Missing = append(f.Missing, Missing{Input: "age", CouldBe: abc, Question: "Age in years?"})
		}
		f.Missing = append(f.Missing, Missing{Input: "phenotype", CouldBe: abc, Question: "Does destruction exceed what the biofilm would lead one to expect?"})
	}
	// 5 Modifiers only raise.
	base := g
	if q, ok := m.progressQuestion(progression); ok && g < gradeC {
		q.CouldBe = abc[g-1:]
		f.Missing = append(f.Missing, q)
	}
	raise := func(to int, because Evidence, text string) {
		if to > base {
			f.Because = append(f.Because, because)
			why += "; " + text
		}
		g = max(g, to)
	}
	span := func(from int) []string { return abc[from-1:] }
	switch n := p.CigarettesPerDay; {
	case n != nil && *n >= gradeSmokingC:
		raise(gradeC, input("cigarettes_per_day", decimal(float64(*n))), many(*n, "cigarette")+" a day")
	case n != nil && *n >= gradeSmokingB:
		raise(gradeB, input("cigarettes_per_day", decimal(float64(*n))), many(*n, "cigarette")+" a day")
	case n == nil && p.SmokingStatus == "current":
		raise(gradeB, input("smoking_status", "current"), "smokes")
		f.AtLeast = g < gradeC
		if g < gradeC {
			f.Missing = append(f.Missing, Missing{Input: "cigarettes_per_day", CouldBe: span(g), Question: "How many cigarettes a day?"})
		}
	case n == nil && p.SmokingStatus == "" && g < gradeC:
		f.Missing = append(f.Missing, Missing{Input: "cigarettes_per_day", CouldBe: span(g), Question: "Does the patient smoke, and how many cigarettes a day?"})
	}
	if p.SmokingStatus == "former" {
		f.Notes = append(f.Notes, "Former smoker: no published value, no shift.")
	}
	if yes(p.Vaping) {
		f.Notes = append(f.Notes, "Vaping: no published value, no shift.")
	}
	high, measured, suspect := false, false, false
	if h := p.HbA1cPercent; h != nil {
		measured, high, suspect = true, *h >= gradeHbA1cC, *h >= gradeHbA1cDiabetes
	}
	if h := p.HbA1cMmolMol; h != nil {
		measured, high, suspect = true, high || *h >= gradeHbA1cMmolMolC, suspect || *h >= gradeMmolMolDiabetes
	}
	sugar := func() Evidence {
		if p.HbA1cPercent != nil {
			return input("hba1c_percent", decimal(*p.HbA1cPercent))
		}
		return input("hba1c_mmol_mol", decimal(*p.HbA1cMmolMol))
	}
	switch {
	case no(p.Diabetes): // an HbA1c that says otherwise is a contradiction, named with the finding
	case measured && high:
		raise(gradeC, sugar(), "HbA1c of 7.0 percent or more")
	case measured && (yes(p.Diabetes) || suspect):
		raise(gradeB, sugar(), "diabetes with HbA1c under 7.0 percent")
		if p.Diabetes == nil {
			f.Notes = append(f.Notes, "Diabetes was not asked; an HbA1c of 6.5 percent or more is taken for it.")
			if base == gradeA {
				f.Missing = append(f.Missing, Missing{Input: "diabetes", CouldBe: []string{"A", "B"}, Question: "Does the patient have diabetes?"})
			}
		}
	case yes(p.Diabetes):
		raise(gradeB, input("diabetes", "true"), "diabetes")
		if g < gradeC {
			f.AtLeast = true
			f.Missing = append(f.Missing, Missing{Input: "hba1c_percent", CouldBe: span(g), Question: "What is the HbA1c?"})
		}
	case p.Diabetes == nil && !measured && g < gradeC:
		f.Missing = append(f.Missing, Missing{Input: "hba1c_percent", CouldBe: span(g), Question: "Does the patient have diabetes, and what is the HbA1c?"})
	}
	if !f.AtLeast && g < gradeC {
		up, down := false, false
		for i := range f.Missing {
			for _, w := range f.Missing[i].CouldBe {
				up, down = up || w > gradeWords[g], down || w < gradeWords[g]
			}
		}
		f.AtLeast = up && !down
	}
	f.Value = word(gradeWords[g])
	f.Provisional = f.Provisional || f.AtLeast || f.open()
	f.Text = "Grade " + gradeWords[g] + ": " + why + "."
	if f.AtLeast {
		f.Text = "Grade " + gradeWords[g] + " at least: " + why + "."
	}
	if e := p.EarlierGrade; e != "" && e != gradeWords[g] {
		f.Notes = append(f.Notes, "Given earlier: grade "+e+". A grade can go either way at later visits.")
	}
	return f
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
