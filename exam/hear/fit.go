package hear

import (
	"math"
	"slices"

	"leadsman/chart"
	"leadsman/grammar"
)

// Fit is how the numbers of a call lie in the places.
type Fit int

const (
	Elsewhere Fit = iota // no numbers along the path
	Fill                 // they fill what is open of the place
	Piece                // less than that
	Again                // all of the place that is not full, once more
	Rerun                // all that was called in one go, the places before it too, once more
	Reply                // all of the place that was asked about, once more
	Onward               // the next place or places; this one stays short
	Row                  // they fill the place, and whole places behind it
	Over                 // they end in the middle of a place further on
)

func (f Fit) String() string {
	return [...]string{"elsewhere", "fill", "piece", "again", "rerun", "reply", "onward", "row", "over"}[f]
}

// Breaks reports whether numbers do not just go on where the place stands: they begin it or another one anew, or leave it short.
func (f Fit) Breaks() bool { return f >= Again && f <= Onward }

// Context is what is known when a breath is heard. Times are in ms of the stream.
type Context struct {
	State   *chart.State // as the log has it; not changed
	Rhythm  *Rhythm
	Attempt Attempt

	SoundedMS  int64 // the last numbers ended; 0 before the first
	WithinMS   int64 // the longest pause between the pieces that the place under the cursor came in; 0: there was none
	AnsweredMS int64 // and were answered
	CalledMS   int64 // the last call ended
	ToldMS     int64 // the examiner was told that the place is not full; 0: he was not
	MissedMS   int64 // numbers of the place, of which none stands, were answered as not understood; 0: none were
	// Run are the sites of full places that were called in one go with the place that is not full, in their order.
	Run []chart.SiteRef
	// Called are all numbers that were called in one go from CalledFrom on, once it was told, at CutMS, that some were not understood.
	Called     []chart.MM
	CalledFrom chart.Place
	CutMS      int64
	OneByOne   bool // and asked to call its numbers one by one, which begins it anew
	// Asked are the sites that are asked about of a place that is full and was spoken last; empty: nothing is asked about it.
	Asked    []chart.SiteRef
	AskedMS  int64
	AskedOut bool // it was spoken to its end before the call began
	Tries    int  // so many answers about that place were not understood
	// PendingMS is when the call began of which these are the last words; 0: none did.
	PendingMS int64
	GapMS     int64 // and how long after the words before these come
	// AskedAgain says that all of the place spoken last was asked for again, and that this begins soon after that was said.
	AskedAgain bool
	// The place spoken last was filled, and answered at this time, after the examiner had been told that it is not full: what begins
	// before he can have heard the answer is a reaction to that. 0: it was not.
	FilledMS, FilledToldMS int64
	// AskedFor is how many numbers are asked for, by the names of their sites: 0, one, or two of three.
	AskedFor int
	// Question says that something is asked; what answers it is no talk.
	Question bool
	TurnMS   int64    // the last call, or the last words of the tool, ended, or speech that was not understood
	Strayed  []string // numbers that were taken for talk a moment ago
}

// turn is what numbers find where the place stands, and how likely they are what, before their count is known.
type turn struct {
	open, entered int  // sites of the place without their number, and with it
	begun         bool // some have it, and the place does not begin anew
	missed        bool // numbers of it were answered as not understood, and this can be no reaction to that
	// They are the rest of the place, all of it once more or the next place, and go on into places behind it; here: they are of the place
	// whose numbers were not understood.
	rest, again, onward, rows, here float64
}

func (c *Context) turn(k int, startMS int64) turn {
	t := turn{open: c.State.Open(), rest: 1, rows: c.Rhythm.share(row), here: 1}
	if c.Attempt.Here {
		t.entered = len(c.Attempt.Sites)
	}
	if t.begun = t.entered > 0 && !c.OneByOne; t.begun {
		c.goOn(&t, startMS)
	}
	if t.missed = !t.begun && c.MissedMS > 0 && startMS < c.MissedMS+ToldMS; t.missed {
		t.here, t.onward = 1-onwardMissed, onwardMissed
	}
	if k > 1 && c.Rhythm.share(single) == 1 {
		t.rest *= shareMany
	}
	return t
}

// goOn says what numbers are while the place is not full.
func (c *Context) goOn(t *turn, startMS int64) {
	switch {
	case c.told(startMS):
		t.rest, t.again, t.onward = restTold, againTold, onwardTold
	case c.aware(startMS):
		t.rest, t.again, t.onward = 1-againAware-onwardAware, againAware, onwardAware
	default:
		t.rest, t.again, t.onward = 1-againUnaware-onwardUnaware, againUnaware, onwardUnaware
	}
	if startMS < c.SoundedMS+SameBreathMS {
		t.again = 0 // nobody says again what he is still saying
	}
	if goesOn(startMS-c.SoundedMS, c.WithinMS) {
		t.rows = max(t.rows, shareGoesOn)
	}
	t.onward *= 1 - 0.8*t.rows // who calls rows pauses anywhere
	if slow := max(c.Rhythm.share(single), c.Rhythm.share(pieces)); slow > 0.5 {
		t.again, t.onward = t.again*(1-slow/2), t.onward*(1-slow/2)
	}
}

// lay says for each way in which a number of numbers can lie in the places how likely it is before they are heard.
func (c *Context) lay(ns []chart.MM, startMS int64) map[Fit]float64 {
	if c.State.Open() == 0 {
		return map[Fit]float64{Over: 1} // the path is at its end: the command itself says what is wrong
	}
	k := len(ns)
	t, ways := c.turn(k, startMS), map[Fit]float64{}
	c.layOn(ways, &t, k, startMS)
	c.layAnew(ways, &t, ns)
	if w := c.rerun(ns, startMS); w > 0 {
		ways[Rerun] = max(w, ways[Rerun])
	}
	if w := c.reply(ns, startMS); w > 0 {
		ways[Reply] = w
	}
	if k > t.open && !c.ends(k-t.open) {
		ways[Over] = max(shareOver, t.rest*t.rows*shareRun)
	}
	return ways
}

// layOn has k numbers go on where the place stands.
func (c *Context) layOn(ways map[Fit]float64, t *turn, k int, startMS int64) {
	came := t.begun && !c.aware(startMS) || c.PendingMS > 0 && startMS == c.PendingMS // a piece of it, a moment ago
	switch {
	case k == t.open && t.begun:
		ways[Fill] = t.rest
	case k == t.open && t.open == 1:
		ways[Fill] = 1
	case k == t.open:
		ways[Fill] = t.here * c.Rhythm.share(whole)
	case k < t.open && came:
		ways[Piece] = t.rest * max(sharePiece, c.Rhythm.share(pieces))
	case k < t.open && k == 1:
		ways[Piece] = t.rest * max(c.Rhythm.share(single), c.Rhythm.share(pieces))
	case k < t.open:
		ways[Piece] = t.rest * c.Rhythm.share(pieces)
	case c.ends(k - t.open):
		ways[Row] = t.rest * t.rows
		if t.begun && c.aware(startMS) {
			// Who heard that the place is not full says its rest, or all of it: with a number too many that looks like a row.
			ways[Row] *= c.Rhythm.share(row)
			ways[Over] = shareOver
		}
	}
	if k == c.AskedFor { // the answer
		ways[Piece] = max(ways[Piece], shareAnswered)
	}
}

// layAnew has numbers begin the place once more, the places before it that were called in one go with it, or the next place.
func (c *Context) layAnew(ways map[Fit]float64, t *turn, ns []chart.MM) {
	k, all := len(ns), t.open+t.entered
	if t.begun && k == all && k != t.open {
		ways[Again] = t.again * likeness(c.values(c.Attempt.Sites), ns, agreeSame)
	}
	if t.begun && k > all && c.ends(k-all) { // and places behind it
		ways[Again] = t.again * c.Rhythm.share(row) * likeness(c.values(c.Attempt.Sites), ns[:all], agreeSame)
	}
	if n := len(c.Run); t.begun && n > 0 && k == n+all {
		ways[Rerun] = t.again * likeness(c.values(append(slices.Clone(c.Run), c.Attempt.Sites...)), ns, agreeSame)
	}
	if c.ends(k) && (t.missed || t.begun && (k != t.open || all == 1)) {
		ways[Onward] = t.onward
	}
}

// rerun says how likely numbers are all that was called in one go once more, or its first places or a piece of them, because some of it was not
// understood. 0: they cannot be that.
func (c *Context) rerun(ns []chart.MM, startMS int64) float64 {
	k, w := len(ns), shareRerun
	if c.CutMS == 0 || startMS < c.CutMS+ToldMS || startMS > c.CutMS+FlowMS {
		return 0
	}
	if len(c.Called) <= c.State.Path.Walked(c.CalledFrom) {
		w *= c.Rhythm.share(row) // a single place is none of a row, but of who calls rows
	}
	if !c.endsFrom(c.CalledFrom, k) {
		w *= sharePiece
	}
	return w * likeness(c.Called[:min(k, len(c.Called))], ns, agreeSame)
}

// reply says how likely numbers are all of the place spoken last once more: as the answer to a question about it, or because the examiner
// was told that it is not full and did not know that it was filled meanwhile. 0: they cannot be that.
func (c *Context) reply(ns []chart.MM, startMS int64) (reply float64) {
	if c.Tries >= MostTries {
		return 0
	}
	k := len(ns)
	if n := len(c.Attempt.Sites); len(c.Asked) > 0 && !c.Attempt.Here && k == n && startMS >= c.AskedMS+ReactMS {
		// Who answers says what stands there once more; what is asked about may be another number.
		w := againAsked
		if c.AskedOut && startMS < c.TurnMS+FlowMS {
			w = shareTold
		}
		reply = w / (1 - w) * c.agree(ns)
	}
	if n := len(c.Attempt.Sites); c.FilledMS > 0 && !c.Attempt.Here && k == n && startMS >= c.FilledToldMS+ToldMS {
		again := againTold
		if startMS >= c.FilledMS+ReactMS {
			again = againFilled
		}
		reply = max(reply, again/(1-again)*c.agree(ns))
	}
	if c.AskedAgain && k == len(c.Attempt.Sites) && !c.Attempt.Here {
		// A number of it was lost: none of those that stand there is sure.
		w := shareTold / (1 - shareTold)
		for i, r := range c.Attempt.Sites {
			w *= agreement(ns[i] == c.State.Chart.Number(r, c.Attempt.Field), agreeAsked)
		}
		reply = max(reply, w)
	}
	return reply
}

// agree is how much likelier numbers are if they are those of the place spoken last once more. What is doubtful or asked about may be another.
func (c *Context) agree(ns []chart.MM) float64 {
	w := 1.0
	for i, r := range c.Attempt.Sites {
		same := agreeSame
		if _, doubtful := c.State.Doubts[r]; doubtful || slices.Contains(c.Asked, r) {
			same = agreeAsked
		}
		w *= agreement(ns[i] == c.State.Chart.Number(r, c.Attempt.Field), same)
	}
	return w
}

// told reports whether what begins at a time can be a reaction to being told that the place is not full.
func (c *Context) told(startMS int64) bool { return c.ToldMS > 0 && startMS >= c.ToldMS+ToldMS }

// aware reports whether who begins at a time can have heard the answer to the numbers before.
func (c *Context) aware(startMS int64) bool { return startMS >= c.AnsweredMS+ReactMS }

// endsFrom reports whether so many numbers fill a place and whole places behind it.
func (c *Context) endsFrom(place chart.Place, n int) bool {
	n -= c.State.Path.Walked(place)
	return n >= 0 && c.endsBehind(place, n)
}

// ends reports whether so many numbers behind this place fill whole places.
func (c *Context) ends(n int) bool { return c.endsBehind(c.State.Place, n) }

func (c *Context) endsBehind(place chart.Place, n int) bool {
	st := c.State
	for n > 0 {
		to, ok := st.Behind(place)
		if !ok {
			return false
		}
		n -= st.Path.Walked(to)
		place = to
	}
	return n == 0
}

// values are what stands at sites.
func (c *Context) values(refs []chart.SiteRef) (out []chart.MM) {
	for _, r := range refs {
		out = append(out, c.State.Chart.Number(r, c.Attempt.Field))
	}
	return out
}

// agreement is how much likelier one number is if it repeats another that comes again so often, than by chance.
func agreement(same bool, often float64) float64 {
	if same {
		return often / agreeChance
	}
	return (1 - often) / (1 - agreeChance)
}

// likeness is how much likelier numbers are if they repeat others than if they have nothing to do with them: by how many of the
// others come again in their order. often is how often a number does.
func likeness(of, in []chart.MM, often float64) float64 {
	same := common(of, in)
	if len(of) == len(in) {
		same = 0
		for i := range of {
			if of[i] == in[i] {
				same++
			}
		}
	}
	n := float64(len(of))
	if n == 0 {
		return 1
	}
	// By chance: any of the places that it may take could hold it.
	free := float64(len(in) - len(of) + 1)
	chance := min(0.9, 1-math.Pow(1-agreeChance, max(1, free)))
	hit, miss := often/chance, (1-often)/(1-chance)
	return math.Pow(hit, float64(same)) * math.Pow(miss, n-float64(same))
}

// Answers tells whether numbers are likelier those of a place that was just asked for than what comes next, and whether they speak for that
// themselves. stands are the numbers there, doubtful tells of each whether it may be wrong. Where one of them was not heard at all, any may be.
func Answers(stands []chart.MM, doubtful []bool, numbers []chart.MM) (answer, alike bool) {
	w := 1.0
	if len(stands) != len(numbers) {
		w = likeness(stands, numbers, agreeAsked)
	} else {
		for i := range stands {
			often := agreeSame
			if doubtful[i] {
				often = agreeAsked
			}
			w *= agreement(stands[i] == numbers[i], often)
		}
	}
	return w*shareTold/(1-shareTold) > 1, w >= 1
}

// common is the length of the longest sequence that both have in their order.
func common(a, b []chart.MM) int {
	best := make([]int, len(b)+1)
	for _, x := range a {
		diag := 0
		for j, y := range b {
			up := best[j+1]
			if x == y {
				best[j+1] = diag + 1
			} else {
				best[j+1] = max(up, best[j])
			}
			diag = up
		}
	}
	return best[len(b)]
}

// weigh gives a meaning its fit and its weight before the sound.
func (c *Context) weigh(m *Meaning, startMS int64) (Fit, float64) {
	if m.Err != nil {
		return Elsewhere, shareJumpAmid // names what does not exist
	}
	if m.Result.Ending <= grammar.Prefix { // what follows will tell
		w := c.verb(prefixVerb(m.Result.Words), startMS)
		if len(m.Result.Words) == 1 && w < 1 {
			w *= sharePause // nobody pauses between "tooth" and its number
		}
		return Elsewhere, w
	}
	cmd := m.Result.Command
	deep := 1.0
	for _, a := range cmd.Acts {
		for _, n := range a.Numbers {
			if n.Half() >= 2*10 {
				deep *= shareDeep
			}
		}
	}
	ns, plain := numbers(cmd)
	if plain {
		best, w := Over, shareOver/10
		for f, p := range c.lay(ns, startMS) {
			if p > w || p == w && f < best {
				best, w = f, p
			}
		}
		return best, w * deep
	}
	w := c.verb(cmd.Verb(), startMS) * deep
	if cmd.Verb() == chart.VerbAll { // a place at once: of who calls one by one, rather a number with a noise before it
		w *= c.Rhythm.share(whole)
	}
	if n := len(ns); n > 0 { // behind a jump: the numbers of another place
		switch of := c.State.Path.Walked(c.State.Place); {
		case n == of:
		case n > of && n%of == 0:
			w *= c.Rhythm.share(row)
		default:
			w *= c.Rhythm.share(pieces)
		}
	}
	return Elsewhere, w * c.rare(m, startMS)
}

// rare is how likely what a call says besides its numbers is: a tooth that is not there, a correction of part of a place.
func (c *Context) rare(m *Meaning, startMS int64) float64 {
	w, cmd := 1.0, m.Result.Command
	for _, a := range cmd.Acts {
		switch a.Verb {
		case chart.VerbGo, chart.VerbAspect:
			if cmd.Verb() != a.Verb {
				w *= c.verb(a.Verb, startMS)
			}
			if a.Tooth != 0 && !c.State.Chart.Tooth(a.Tooth).Presence.Probed() {
				w *= shareGone
			}
		case chart.VerbCorrection, chart.VerbMargin:
			n := len(a.Numbers)
			switch of := c.State.Path.Walked(c.State.Focus); {
			case len(a.Where) > 0 || n == 1 || n == of:
			case m.Result.Pending && n < of && c.GapMS < 2*ReactMS:
				// Nobody goes on elsewhere before he can have heard an answer: what follows tells.
			default:
				w *= shareOdd
			}
		}
	}
	return w
}

// verb is how likely a call is where the exam stands.
func (c *Context) verb(v chart.Verb, startMS int64) float64 {
	switch {
	case v == chart.VerbSkip || v == chart.VerbNext || v == chart.VerbBack:
		if c.Attempt.Here && c.ToldMS == 0 {
			return shareOdd
		}
		return 1
	case v != chart.VerbGo && v != chart.VerbAspect:
		return 1
	case c.Attempt.Here && startMS < c.AnsweredMS+ReactMS:
		return shareJumpIn
	case c.Attempt.Here && c.ToldMS == 0:
		return shareJumpAmid
	}
	return shareJump
}

// prefixVerb is the call that words begin.
func prefixVerb(words []string) chart.Verb {
	if len(words) > 0 && (words[0] == "tooth" || words[0] == "number") {
		return chart.VerbGo
	}
	return ""
}
