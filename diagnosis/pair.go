package diagnosis

import (
	"encoding/json"
	"fmt"
	"strings"

	"leadsman/chart"
)

// Schemas of what is written about two exams; docs/findings-file.md describes them.
const (
	comparisonSchema = "leadsman.comparison/1"
	agreementSchema  = "leadsman.agreement/1"
)

// Pair is two exams of one mouth with what was made of them: one of Comparison and Agreement.
type Pair struct {
	First, Second *chart.Chart
	Comparison    *Comparison
	Agreement     *Agreement
}

// MarshalJSON writes the pair as one object; teeth are FDI numbers whatever the charts' numbering is.
func (p Pair) MarshalJSON() ([]byte, error) {
	schema := comparisonSchema
	if p.Comparison == nil {
		schema = agreementSchema
	}
	return json.Marshal(struct {
		Schema     string          `json:"schema"`
		Rules      string          `json:"rules"`
		First      string          `json:"first,omitempty"`
		Second     string          `json:"second,omitempty"`
		Numbering  chart.Numbering `json:"numbering"`
		Comparison *Comparison     `json:"comparison,omitempty"`
		Agreement  *Agreement      `json:"agreement,omitempty"`
		Cautions   []string        `json:"cautions"`
	}{schema, RuleSet, p.First.ID, p.Second.ID, chart.FDI, p.Comparison, p.Agreement, Cautions()})
}

// Text writes the pair for people, teeth in the numbering of the second chart.
func (p Pair) Text() string {
	var b strings.Builder
	n := p.Second.Numbering
	if n == "" {
		n = chart.FDI
	}
	if p.First.ID != "" || p.Second.ID != "" {
		fmt.Fprintf(&b, "%s, then %s\n", p.First.ID, p.Second.ID)
	}
	fmt.Fprintf(&b, "Rules %s, teeth in %s numbering\n\n", RuleSet, numberingName(n))
	if p.Comparison != nil {
		p.Comparison.text(&b, n)
	} else {
		p.Agreement.text(&b, n)
	}
	b.WriteByte('\n')
	for _, c := range Cautions() {
		fmt.Fprintf(&b, "! %s\n", c)
	}
	return b.String()
}

// optional writes a number that may not be known.
func optional(f *float64, decimals int) string {
	if f == nil {
		return "-"
	}
	return number(*f, decimals).String()
}

func (c *Comparison) text(b *strings.Builder, n chart.Numbering) {
	line := func(what, format string, args ...any) {
		fmt.Fprintf(b, "%-28s "+format+"\n", append([]any{what}, args...)...)
	}
	line("sites in both", "%d", c.Before.Depths)
	line("mean depth, mm", "%s, then %s", optional(c.Before.MeanDepth, 2), optional(c.After.MeanDepth, 2))
	line("mean attachment loss, mm", "%s, then %s (%d sites)", optional(c.Before.MeanLoss, 2), optional(c.After.MeanLoss, 2), c.Before.Losses)
	line("sites of 4, 5, 6 mm or more", "%d %d %d, then %d %d %d", c.Before.Ge4, c.Before.Ge5, c.Before.Ge6, c.After.Ge4, c.After.Ge5, c.After.Ge6)
	line("bleeding, percent", "%s, then %s (%d sites)", optional(c.Before.BleedingPercent, 1), optional(c.After.BleedingPercent, 1), c.Before.BleedingSites)
	line("plaque, percent", "%s, then %s (%d sites)", optional(c.Before.PlaquePercent, 1), optional(c.After.PlaquePercent, 1), c.Before.PlaqueSites)
	ch := &c.Chance
	if ch.Worse.Sites == 0 {
		line("attachment lost, gained", "not known: no site has its attachment loss measured at both exams")
	} else {
		line("attachment lost, gained", "%d and %d of %s, not sure %d; by chance about %s each way, at most %d", c.LossWorse, c.LossImproved, many(ch.Worse.Sites, "site"), c.LossNotSure, about(ch.Worse.Expected), ch.Worse.Most)
	}
	line("depth less, same, more", "%d %d %d, not sure %d; by chance about %s each way", c.Improved, c.Within, c.Worse, c.NotSure, about(ch.Deeper.Expected))
	if c.Remeasured == 0 {
		line("pockets closed", "no pocket of the first exam was probed again")
	} else {
		line("pockets closed", "%d of %d (%s percent), %d shallow, %d of them by recession; by chance about %s", c.Closed, c.Remeasured, optional(c.ClosedPercent, 1), c.Shallow, c.Receded, about(ch.Closed.Expected))
	}
	line("new pockets", "%d; by chance about %s", c.NewPockets, about(ch.NewPockets.Expected))
	line("bleeding sites", "%+d; a second look without any change gives up to %d either way", ch.Bleeding.Seen, ch.Bleeding.Most)
	line("error of measurement", "%s", c.Error.Source)
	line("end point", "%s", c.Endpoint.Text)
	line("gingiva", "%s", c.Gingiva.Text)
	for _, r := range c.Retreat {
		line("look again "+r.Tooth.Label(n)+" "+r.Site.String(), "%s mm: %s", r.Depth, r.Why)
	}
	for _, note := range c.Notes {
		line("note", "%s", note)
	}
}

func (a *Agreement) text(b *strings.Builder, n chart.Numbering) {
	for _, part := range []struct {
		name   string
		groups []AgreementGroup
	}{{"depth", a.Depth}, {"recession", a.Recession}, {"attachment loss", a.Loss}} {
		if len(part.groups) == 0 {
			continue
		}
		fmt.Fprintf(b, "%-18s %6s %7s %9s %9s %9s %6s %6s  %s\n", part.name, "sites", "same %", "within 1 %", "kappa lin", "kappa quad", "ICC", "bias", "95 % limits, mm")
		for _, g := range part.groups {
			fmt.Fprintf(b, "  %-16s %6d %7s %10s %9s %10s %6s %6s  %s to %s\n", g.Group, g.Sites, optional(g.Exact, 1), optional(g.Within1, 1), optional(g.KappaLin, 2),
				optional(g.KappaQuad, 2), optional(g.ICC, 2), optional(g.Bias, 2), optional(g.Low, 2), optional(g.High, 2))
		}
	}
	for _, f := range a.Flags {
		fmt.Fprintf(b, "%-18s %6d %7s %30s kappa\n", f.Flag, f.Sites, optional(f.Exact, 1), optional(f.Kappa, 2))
	}
	for _, d := range a.Differ {
		fmt.Fprintf(b, "differs %s %s %s: %s and %s mm\n", d.Tooth.Label(n), d.Site, d.Reading, d.First, d.Second)
	}
	for _, note := range a.Notes {
		fmt.Fprintf(b, "note %s\n", note)
	}
}
