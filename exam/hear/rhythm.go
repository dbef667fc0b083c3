package hear

// Rhythm is how an examiner calls the numbers of a place. It is learned place by place and may be kept with the examiner; the zero
// value knows nothing yet.
type Rhythm struct {
	Whole  float64 `json:"whole"`  // places called in one breath, the latest counting most
	Single float64 `json:"single"` // number by number
	Pieces float64 `json:"pieces"` // in two or more breaths
	Row    float64 `json:"row"`    // places that came in one breath with others
	// Within is how long the longest pauses inside a place are, in ms, by those of the latest places; 0: none was heard.
	Within float64 `json:"within"`
}

// memory is for how many places a rhythm is remembered.
const memory = 12

// way is one of the ways in which numbers come.
type way int

const (
	whole way = iota
	single
	pieces
	row
)

// share is how likely numbers come in a way, 1 for the likeliest of them.
func (r *Rhythm) share(of way) float64 {
	all := [...]float64{r.Whole + priorWhole, r.Single + priorSingle, r.Pieces + priorPieces, r.Row + priorRow}
	return all[of] / max(all[whole], all[single], all[pieces], all[row])
}

// Known reports whether enough places were heard to go by.
func (r *Rhythm) Known() bool { return r.Whole+r.Single+r.Pieces+r.Row > 1.5 }

// Singly reports whether the examiner calls number by number, and hardly ever otherwise.
func (r *Rhythm) Singly() bool {
	return r.Known() && r.Single > 0.8*(r.Whole+r.Single+r.Pieces+r.Row)
}

// InRows reports whether the examiner calls several places in one breath.
func (r *Rhythm) InRows() bool { return r.share(row) > 0.5 }

// Part is a piece of a place, as it was called.
type Part struct {
	Numbers    int
	From, ToMS int64
}

// LongestPause is the longest pause between parts, in ms; 0 if there is none.
func LongestPause(parts []Part) (longest int64) {
	for i := 1; i < len(parts); i++ {
		longest = max(longest, parts[i].From-parts[i-1].ToMS)
	}
	return longest
}

// Singly reports whether the pieces of a place were called number by number, as far as the first two tell.
func Singly(parts []Part) bool {
	return len(parts) > 0 && parts[0].Numbers == 1 && (len(parts) == 1 || parts[1].From-parts[0].ToMS >= SameBreathMS && parts[1].Numbers == 1)
}

// Learn takes a place in that is full. parts are its pieces as the ear gave them; after is the pause between the numbers of the place before and
// them, 0 before the first place; over says that the last one went on into the next place.
func (r *Rhythm) Learn(parts []Part, after int64, over bool) {
	if len(parts) == 0 {
		return
	}
	for _, n := range []*float64{&r.Whole, &r.Single, &r.Pieces, &r.Row} {
		*n *= 1 - 1.0/memory
	}
	longest, breaths := LongestPause(parts), 1
	for i := 1; i < len(parts); i++ {
		if parts[i].From-parts[i-1].ToMS >= SameBreathMS {
			breaths++
		}
	}
	switch {
	case over || goesOn(after, longest):
		r.Row++
	case breaths == 1:
		r.Whole++
	case Singly(parts):
		r.Single++
	default:
		r.Pieces++
	}
	// It rises at once and falls slowly: to wait too long costs less than to ask too soon.
	if l := float64(min(longest, FlowMS)); l > r.Within {
		r.Within = l
	} else {
		r.Within += (l - r.Within) / memory
	}
}

// goesOn reports whether a pause is none between places but one in a breath, as they are made within this place: within is the longest of those,
// 0 if there was none.
func goesOn(pause, within int64) bool {
	return pause > 0 && pause < SameBreathMS && pause*10 <= within*13
}

// BreathMS is the pause from which on a breath has ended.
func (r *Rhythm) BreathMS() int64 { return int64(max(800, min(1.3*r.Within, 2500))) }

// ShortMS is how long after its last word a place that is not full is left before the examiner is told. After a lone number it is longer:
// he may be calling number by number, each after its answer.
func (r *Rhythm) ShortMS(parts []Part) int64 {
	least := 1200.0
	if n := len(parts); n > 0 && parts[n-1].Numbers == 1 {
		least = 1400
		if r.Singly() {
			least = 4000 // he has an answer to each number, and says again what has none
		}
	}
	return int64(max(least, min(1.5*r.Within, 2500)))
}
