package diagnosis

import (
	"math"

	"leadsman/chart"
)

// depthLevels are the depths of a mouth in whole millimetres, and by spread what each weighs.
type depthLevels struct {
	count   [chart.MaxDepth + 1]float64
	weights map[spread]*[chart.MaxDepth + 1]float64
}

func (m *mouth) depthLevels() *depthLevels {
	l := &depthLevels{weights: map[spread]*[chart.MaxDepth + 1]float64{}}
	for i := range l.count {
		l.count[i] = 0.5 // none is impossible
	}
	for _, th := range m.scored {
		for s := range th.sites {
			if d := th.sites[s].depth; d >= 0 {
				l.count[d]++
			}
		}
	}
	return l
}

// weigh finds weights w such that w[x] w[y] s(y-x), summed over y, is the number of sites read as x: pairs of readings of an unchanged
// mouth, in which either reading has the mouth's distribution of depths and both differ as the spread says. It is found by iteration.
func (l *depthLevels) weigh(s *spread) *[chart.MaxDepth + 1]float64 {
	if w := l.weights[*s]; w != nil {
		return w
	}
	w := new([chart.MaxDepth + 1]float64)
	for x := range w {
		w[x] = math.Sqrt(l.count[x])
	}
	for range 40 {
		next := *w
		for x := range w {
			sum := 0.0
			for y := range w {
				sum += w[y] * s.of(y-x)
			}
			next[x] = math.Sqrt(w[x] * l.count[x] / sum)
		}
		*w = next
	}
	l.weights[*s] = w
	return w
}

// crosses is the chance that a second reading of a site lies on the other side of the limit of a pocket although nothing
// changed. A reading that is rare in the mouth is likelier a misreading of a common one than the other way round: that is the
// regression to the mean of sites chosen because they were deep. shift is the share of the sites that read 1 mm more (negative: less).
func (l *depthLevels) crosses(s *spread, depth int8, shift float64) float64 {
	w := l.weigh(s)
	pocket := depth >= closureBaseline
	share, by := math.Abs(shift), 1
	if shift < 0 {
		by = -1
	}
	over, all := 0.0, 0.0
	for y, n := range w {
		p := n * s.of(y-int(depth))
		all += p
		if pocket == (y <= closedDepth) {
			over += p * (1 - share)
		}
		if pocket == (y+by <= closedDepth) {
			over += p * share
		}
	}
	if all == 0 {
		return 0
	}
	return over / all
}

// crossing is a reading that may lie on the other side of the limit of a pocket when it is repeated.
type crossing struct {
	spread *spread
	depth  int8
	bled   chart.YesNo
}

// crossed is how many new pockets and how many closed ones a repeated exam has without any change.
func (d *differences) crossed(all []crossing, levels *depthLevels, noise *ErrorModel, mouth *bleedingAnswers) (opened, closed Chance) {
	shift, scatter := d.shift(), d.scatter()
	for _, c := range all {
		s := c.spread.wider(scatter)
		pocket := c.depth >= closureBaseline
		if p := levels.crosses(&s, c.depth, shift); pocket {
			closed.Sites++
			closed.Expected += p * noise.dry(c.bled, mouth)
		} else {
			opened.Sites++
			opened.Expected += p
		}
	}
	return opened, closed
}

// chances are the sites that read more by the limit, and those that read less.
func (d *differences) chances(limit, more, less int) (up, down Chance) {
	shift := d.shift()
	return Chance{Sites: d.sites, Seen: more, Expected: d.expected(limit, shift)}, Chance{Sites: d.sites, Seen: less, Expected: d.expected(limit, -shift)}
}

// dry is the chance that a site does not bleed at a second look, given the first.
func (m *ErrorModel) dry(was chart.YesNo, mouth *bleedingAnswers) float64 {
	if mouth.sites == 0 {
		return 1
	}
	dry := 1 - float64(mouth.yes)/float64(mouth.sites)
	switch was {
	case chart.Yes:
		return (1 - m.bleeding) * dry
	case chart.No:
		return m.bleeding + (1-m.bleeding)*dry
	}
	return dry
}
