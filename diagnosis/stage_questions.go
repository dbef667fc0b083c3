package diagnosis

import (
	"fmt"
	"slices"

	"leadsman/chart"
)

// questions lists what is not known with what the stage could be if it were, and says where the stage is a lower bound.
func (g *staging) questions() {
	g.askLoss()
	g.askDepths()
	g.askBone()
	g.askTeethLost()
	g.askDefects()
	g.askDecisions()
	g.askStageIV()
	for _, th := range g.classed {
		if yes(th.asked.Hopeless) {
			g.note("Tooth " + g.label(th.t) + " is called hopeless; it is not counted as lost, some authors do.")
		}
	}
}

// stages lists the words from one stage to another, I at least.
func stages(from, to int) []string {
	var words []string
	for i := max(from, 1); i <= to; i++ {
		words = append(words, stageWords[i])
	}
	return words
}

// with is the stage if one of the inputs were otherwise.
func (g *staging) with(change func(*stageInputs)) int {
	in := g.in
	change(&in)
	return in.stage()
}

// lowerBound marks the stage as one that may be higher.
func (g *staging) lowerBound(when bool) { g.finding.AtLeast = g.finding.AtLeast || when }

// askLoss asks for attachment loss where it could decide or raise the stage.
func (g *staging) askLoss() {
	s := g.in.stage()
	if g.cr.answer == unsure {
		g.ask(g.lossMissing(append([]string{"no stage"}, stages(s, max(s, 3))...)...))
	} else if g.lossRecorded < g.lossEligible && g.in.severity < 3 {
		if most := g.with(func(in *stageInputs) { in.severity = 3 }); most > s || g.in.severity == 0 {
			g.ask(g.lossMissing(stages(s, most)...))
			g.lowerBound(s > 0 && most > s && !g.byBone)
		}
	}
	g.lowerBound(g.in.severity == 0 && s > 0 && s < 4)
}

// askDepths asks for depths that could raise the stage.
func (g *staging) askDepths() {
	depths := openSites(g.classed, func(th *tooth, site chart.Site) bool {
		return th.sites[site].depth < 0 && !th.sites[site].excluded
	})
	if len(depths) == 0 || g.o.Complexity == Off {
		return
	}
	level := 3
	if g.p.FactorDecision("depth_6", 0) == "rejected" {
		level = 2
	}
	s := g.in.stage()
	if most := g.with(func(in *stageInputs) { in.local = max(in.local, level) }); most > s {
		g.ask(Missing{Input: "depth", Sites: depths, CouldBe: stages(s, most),
			Question: "These sites were not probed; a deep one would raise the stage."})
		g.lowerBound(s > 0 && g.cr.answer == isYes)
	}
}

// askBone asks for bone loss, which confirms the band or gives it.
func (g *staging) askBone() {
	if g.p.BoneLossPercent != nil || g.byBone {
		return
	}
	s := max(g.in.stage(), 1)
	could := stages(s, s)
	q := "Radiographic bone loss in percent of the root? Attachment loss decides the band; bone loss would confirm it."
	if g.in.severity == 0 {
		could = stages(g.with(func(in *stageInputs) { in.severity = 1 }), g.with(func(in *stageInputs) { in.severity = 3 }))
		q = "Radiographic bone loss in percent of the root at the worst tooth?"
	}
	g.ask(Missing{Input: "bone_loss_percent", CouldBe: could, Question: q})
}

// askTeethLost asks why teeth are missing where that could raise the stage.
func (g *staging) askTeethLost() {
	if g.lostKnown || g.in.lost >= stageLostIV {
		return
	}
	s := g.in.stage()
	if most := g.with(func(in *stageInputs) { in.lost += len(g.lostUnknown) }); most > s {
		g.ask(Missing{Input: "teeth_lost_periodontitis", Teeth: g.lostUnknown, CouldBe: stages(s, most),
			Question: "How many of these missing teeth were lost to periodontitis?"})
		g.lowerBound(s > 0)
	}
}

// askDefects asks for the factors of stage III that only a radiograph or a look at the ridge shows.
func (g *staging) askDefects() {
	s := g.in.stage()
	if s == 0 || s >= 3 || g.cr.answer != isYes || g.o.Complexity == Off {
		return
	}
	could := stages(s, 3)
	if g.p.VerticalLossMM == nil && !slices.ContainsFunc(g.classed, func(th *tooth) bool { return th.asked.VerticalLossMM != nil }) {
		g.ask(Missing{Input: "vertical_loss_mm", CouldBe: could, Question: "Is there vertical bone loss of 3 mm or more?"})
	}
	if g.p.RidgeDefect == "" {
		g.ask(Missing{Input: "ridge_defect", CouldBe: could, Question: "Is there a moderate ridge defect?"})
	}
}

// askDecisions asks to confirm or reject the local factors that raise the stage, each kind once.
func (g *staging) askDecisions() {
	s, sure := g.in.stage(), g.sure.stage()
	if g.in.local <= g.sure.local || s <= sure || g.o.Complexity == Off || g.o.Complexity == Auto {
		return
	}
	var asked []string
	for i := range g.factors {
		fc := &g.factors[i]
		if fc.decision != "" || fc.level >= 4 || fc.level <= g.sure.local || slices.Contains(asked, fc.name) {
			continue
		}
		asked = append(asked, fc.name)
		var teeth []chart.Tooth
		for j := range g.factors {
			if other := &g.factors[j]; other.name == fc.name && other.decision == "" && other.tooth != nil {
				teeth = append(teeth, other.tooth.t)
			}
		}
		g.ask(Missing{Input: "factors." + fc.name, Teeth: slices.Compact(teeth), CouldBe: stages(sure, s),
			Question: "Confirm or reject: " + g.factorText(fc) + ". A pocket over an overhang or a swollen margin is no factor."})
	}
}

// askStageIV asks for what makes stage IV of stage III.
func (g *staging) askStageIV() {
	s := g.in.stage()
	few := slices.ContainsFunc(g.factors, func(fc factor) bool { return fc.name == "few_teeth" && fc.decision == "" })
	if g.cr.answer != isYes || s == 4 || s == 0 {
		return
	}
	if s < 3 {
		if few {
			g.ask(Missing{Input: "rehabilitation_need", CouldBe: stages(s, s),
				Question: fmt.Sprintf("%d teeth and %d opposing pairs, but no loss of stage III: the rule counts this only on top of stage III. Does chewing fail?", g.twenty(), g.opposing())})
		}
		return
	}
	ask := func(when bool, input, question string, teeth ...chart.Tooth) {
		if when {
			g.ask(Missing{Input: input, Teeth: teeth, CouldBe: []string{"III", "IV"}, Question: question})
		}
	}
	ask(g.p.RehabilitationNeed == nil, "rehabilitation_need", "Is complex rehabilitation needed because chewing fails?")
	loose := g.loose(stageMobilityAsk)
	ask(len(loose) > 0 && g.p.OcclusalTrauma == nil, "occlusal_trauma", "Mobility of grade 2 or more: is there secondary occlusal trauma? Mobility alone is not.", loose...)
	ask(g.p.RidgeDefect == "", "ridge_defect", "Is there a severe ridge defect?")
	ask(g.p.BiteCollapse == nil, "bite_collapse", "Is there bite collapse, drifting or flaring?")
	if few {
		ask(true, "factors.few_teeth", fmt.Sprintf("%d teeth and %d opposing pairs: is this because of periodontitis and does chewing fail?", g.twenty(), g.opposing()))
	}
}

// loose lists natural teeth with mobility of at least g.
func (m *mouth) loose(g int) []chart.Tooth {
	var ts []chart.Tooth
	for _, th := range m.classed {
		if th.rec.Mobility.Recorded() && th.rec.Mobility.Value() >= g {
			ts = append(ts, th.t)
		}
	}
	return ts
}
