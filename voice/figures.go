package voice

import (
	"cmp"
	"slices"
	"strings"
)

// Figures say how a drill went.
type Figures struct {
	Calls      int         `json:"calls"` // heard so far
	Right      int         `json:"right"`
	Words      int         `json:"words"`
	WordsWrong int         `json:"words_wrong"` // changed, lost or put in
	MedianMS   int64       `json:"median_ms"`   // from the end of the last word to the decision
	WordMS     int64       `json:"word_ms"`     // how long a word was spoken, on average
	Sure       float64     `json:"sure"`        // mean confidence of the least sure word of each call
	Confused   []Confusion `json:"confused"`    // most often first
}

// Confusion is a word that was taken for another one. Heard is empty for a word that was lost, Said for one that was put in.
type Confusion struct {
	Said  string `json:"said"`
	Heard string `json:"heard"`
	Times int    `json:"times"`
}

// figures counts a drill.
func figures(v View) *Figures {
	f := &Figures{Confused: []Confusion{}}
	var waits []int64
	var spoken int64
	times := map[Confusion]int{}
	for _, t := range v.Tries {
		said := strings.Fields(v.Lines[t.Line].Words)
		f.Calls++
		f.Words += len(said)
		f.Sure += t.Confidence
		waits = append(waits, t.WaitMS)
		spoken += t.SpokenMS
		if t.OK {
			f.Right++
		}
		for _, c := range confusions(said, strings.Fields(t.Heard)) {
			times[c]++
			f.WordsWrong++
		}
	}
	if f.Calls == 0 {
		return f
	}
	slices.Sort(waits)
	f.MedianMS, f.WordMS, f.Sure = waits[len(waits)/2], spoken/int64(f.Words), f.Sure/float64(f.Calls)
	for c, n := range times {
		c.Times = n
		f.Confused = append(f.Confused, c)
	}
	slices.SortFunc(f.Confused, func(a, b Confusion) int {
		return cmp.Or(cmp.Compare(b.Times, a.Times), cmp.Compare(a.Said, b.Said), cmp.Compare(a.Heard, b.Heard))
	})
	return f
}

// confusions lists the least changes that make what was said into what was heard, in order.
func confusions(said, heard []string) []Confusion {
	n, m := len(said), len(heard)
	cost := make([][]int, n+1)
	for i := range cost {
		cost[i] = make([]int, m+1)
		for j := range cost[i] {
			switch {
			case i == 0:
				cost[i][j] = j
			case j == 0:
				cost[i][j] = i
			default:
				d := cost[i-1][j-1]
				if said[i-1] != heard[j-1] {
					d++
				}
				cost[i][j] = min(d, cost[i-1][j]+1, cost[i][j-1]+1)
			}
		}
	}
	var out []Confusion
	for i, j := n, m; i > 0 || j > 0; {
		switch {
		case i > 0 && j > 0 && said[i-1] == heard[j-1] && cost[i][j] == cost[i-1][j-1]:
			i, j = i-1, j-1
		case i > 0 && j > 0 && cost[i][j] == cost[i-1][j-1]+1:
			out = append(out, Confusion{Said: said[i-1], Heard: heard[j-1]})
			i, j = i-1, j-1
		case i > 0 && cost[i][j] == cost[i-1][j]+1:
			out = append(out, Confusion{Said: said[i-1]})
			i--
		default:
			out = append(out, Confusion{Heard: heard[j-1]})
			j--
		}
	}
	slices.Reverse(out)
	return out
}
