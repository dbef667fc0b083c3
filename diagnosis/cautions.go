package diagnosis

import "leadsman/chart"

// Cautions returns what every findings page, export and report must say, in the tool's own words.
func Cautions() []string {
	return []string{
		"Decision support for licensed dental clinicians. It does not diagnose or prescribe; the treating clinician decides and answers for the entry. Local law, professional codes and payers' rules go first.",
		"Proposals follow published rules, version " + RuleSet + ", each with its source. What is common practice or an engineering choice is marked so.",
		"Speech can be misheard: nothing is final until it was read back or seen. A blank is never filled by guessing.",
		"On an incomplete chart the findings name the sites that are missing and what cannot be said.",
		"Not for emergencies. Nothing for patients carries a change of stage that the clinician has not released.",
		"Not validated as a medical device.",
	}
}

// gateCaution is the warning shown before probing until the medical history is confirmed as checked.
// It gives no advice on antibiotics: that is for the clinician and local guidance.
func gateCaution(p *chart.Patient) (string, bool) {
	if yes(p.MedicalHistoryChecked) {
		return "", false
	}
	return "The medical history is not marked as checked. Before probing ask for heart conditions with a risk of infective endocarditis, bleeding disorders or anticoagulation, severe immunosuppression, radiotherapy of the jaws, recent periodontal or implant surgery, acute infection, a recent heart attack, and consent; then follow local guidance. This tool gives no advice on prophylaxis, drugs or doses.", true
}
