package diagnosis

import (
	"fmt"
	"strconv"
	"strings"

	"leadsman/chart"
)

// names are what findings are called where people read them. The screens have the same ones (web/static/desk/wording.js).
var names = map[string]string{
	"periodontitis.case":              "Periodontitis",
	"periodontitis.stage":             "Stage",
	"periodontitis.stage_by_severity": "Stage by severity alone",
	"periodontitis.extent":            "Extent",
	"extent.stage_level_percent":      "Teeth at the level of the stage, %",
	"extent.any_involved_percent":     "Teeth with any detectable loss, %",
	"periodontitis.grade":             "Grade",
	"periodontitis.status":            "State after treatment",
	"progression.status":              "Progression",
	"gingiva.status":                  "Gingiva",
	"gingiva.periodontium":            "Periodontium",
	"endpoint.reached":                "End point of therapy",
	"implant.status":                  "Implant",
	"surveillance.cdc_aap_2012":       "Surveillance class (CDC/AAP 2012)",
	"recession.type":                  "Recession type",
	"risk.progression":                "Risk of progression",
	"risk.bleeding":                   "Risk: bleeding",
	"risk.pockets":                    "Risk: residual pockets",
	"risk.teeth_lost":                 "Risk: teeth lost",
	"risk.bone_loss_age":              "Risk: bone loss for age",
	"risk.systemic":                   "Risk: systemic",
	"risk.smoking":                    "Risk: smoking",
	"score.bleeding_percent":          "Bleeding on probing, %",
	"score.plaque_percent":            "Plaque, %",
	"score.plaque_four_percent":       "Plaque record, four surfaces, %",
	"score.plaque_six_percent":        "Plaque record, six surfaces, %",
	"score.gingival_bleeding_percent": "Gingival bleeding index, %",
	"score.pesa_mm2":                  "Pocket surface, mm2",
	"score.pisa_mm2":                  "Inflamed pocket surface, mm2",
	"score.pesa_b_mm2":                "Pocket surface, from depths alone, mm2",
	"score.pisa_b_mm2":                "Inflamed surface, from depths alone, mm2",
	"depth.mean":                      "Mean depth, mm",
	"attachment_loss.mean":            "Mean attachment loss, mm",
	"sites.suppuration":               "Sites with pus",
	"mobility.max":                    "Greatest mobility",
	"furcation.max":                   "Greatest furcation grade",
	"chart.completeness":              "Sites probed, %",
	"chart.doubts":                    "Doubts left open",
}

// nameOf is what a finding is called, by its code.
func nameOf(code string) string {
	if name, ok := names[code]; ok {
		return name
	}
	var mm int
	what, rest, _ := strings.Cut(code, ".ge")
	if _, err := fmt.Sscanf(rest, "%d", &mm); err != nil {
		return asked(code)
	}
	name := map[string]string{"sites": "Sites", "teeth": "Teeth with sites"}[what] + fmt.Sprintf(" of %d mm or more", mm)
	if what == "attachment_loss" {
		name = fmt.Sprintf("Sites with %d mm of loss or more", mm)
		if strings.HasSuffix(code, "_teeth") {
			name = fmt.Sprintf("Teeth with %d mm of loss or more", mm)
		}
	}
	if strings.HasSuffix(code, "_percent") {
		name += ", %"
	}
	return name
}

// asked is what an input or a finding is called within a line: "bone loss percent".
func asked(key string) string {
	if name, ok := names[key]; ok {
		return strings.ToLower(name[:1]) + name[1:]
	}
	return strings.NewReplacer("_", " ", ".", " ").Replace(key)
}

// plainWord writes the words of values for people: "not met", but peri-implantitis.
func plainWord(v string) string {
	return strings.NewReplacer("peri-implantitis", "peri-implantitis", "molar-incisor", "molar-incisor", "-", " ").Replace(v)
}

// numberingName is what people call a numbering.
func numberingName(n chart.Numbering) string {
	if n == chart.FDI {
		return "FDI"
	}
	return capital(string(n))
}

// many writes a number with its noun: "1 site", "3 sites", "2 teeth".
func many(n int, noun string) string {
	switch {
	case n == 1:
		return "1 " + noun
	case noun == "tooth":
		return strconv.Itoa(n) + " teeth"
	}
	return strconv.Itoa(n) + " " + noun + "s"
}
