package diagnosis

import "leadsman/chart"

// recessionsOf gives the recession type of each tooth with a facial recession: interdental loss of 0
// is RT1, up to the facial loss RT2, more than it RT3.
// Source: Cairo et al. 2011, doi:10.1111/j.1600-051X.2011.01732.x (abstract seen).
func (m *mouth) recessionsOf() []Finding {
	var out []Finding
	for _, th := range m.scored {
		b := &th.sites[chart.B]
		if th.t.Primary() || !b.recession.Known() || b.recession.Half() <= 0 {
			continue
		}
		f := Finding{Code: "recession.type", Tooth: th.t, Rule: "RECESSION", Source: srcRecession, Value: word("indeterminate"),
			Because: []Evidence{th.siteEvidence(chart.B)}}
		mesial, distal := &th.sites[chart.MB], &th.sites[chart.DB]
		worst, site := mesial, chart.MB
		if distal.loss >= 0 && (mesial.loss < 0 || distal.lossMM.Half() > mesial.lossMM.Half()) {
			worst, site = distal, chart.DB
		}
		bothKnown := mesial.loss >= 0 && distal.loss >= 0
		name := "Tooth " + m.label(th.t)
		if worst.loss >= 0 {
			f.Because = append(f.Because, th.siteEvidence(site))
		}
		switch {
		case b.loss < 0:
			f.Text = name + ": recession type not determinable, the facial depth is unknown."
		case worst.loss >= 0 && worst.lossMM.Half() > b.lossMM.Half():
			f.Value, f.Text = word("RT3"), name+": interdental loss of "+worst.lossMM.String()+" mm is more than the facial "+b.lossMM.String()+" mm: RT3."
		case !bothKnown:
			f.Text = name + ": recession type not determinable, interdental attachment loss is unknown."
			f.Missing = []Missing{{Input: "depth,recession", Teeth: []chart.Tooth{th.t}, CouldBe: []string{"RT1", "RT2", "RT3"}, Question: "Depth and margin at the mesial and distal facial sites?"}}
		case worst.lossMM.Half() == 0:
			f.Value, f.Text = word("RT1"), name+": facial recession without interdental loss: RT1."
		default:
			f.Value, f.Text = word("RT2"), name+": interdental loss of "+worst.lossMM.String()+" mm is not more than the facial "+b.lossMM.String()+" mm: RT2."
			if worst.loss == 1 {
				f.Notes = []string{"One millimetre is within measurement error: if the interdental CEJ can be neither seen nor felt it is RT1."}
			}
		}
		// What the classification of recessions records beside the type: Cortellini and Bissada 2018, doi:10.1002/JPER.16-0671 (from memory).
		if k := th.rec.Keratin; k.Known() {
			e := input("keratinized_width", k.String())
			e.Tooth = th.t
			f.Because = append(f.Because, e)
		}
		if g := th.asked.Phenotype; g != "" {
			e := input("gingival_phenotype", g)
			e.Tooth = th.t
			f.Because = append(f.Because, e)
		}
		f.Provisional = f.Value.String() == "indeterminate"
		out = append(out, f)
	}
	return out
}
