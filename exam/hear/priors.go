package hear

// The table of what is believed before a sound is heard. Each number is fitted or declared, says on what, and is pinned by
// TestPriors: moved by a third, one of its cases fails.
const (
	// How numbers of a place come, before an examiner's own way is known: counts, as if so many places had been heard. Declared: the
	// numbers of a place are called together (common practice, no source).
	priorWhole  = 3.0
	priorSingle = 0.3
	priorPieces = 0.3
	priorRow    = 0.2

	// A call that ends in the middle of a place further on, or has more numbers than the place, while nobody does that. Declared.
	shareOver = 0.01
	shareMany = 0.20 // two or more numbers at once, of who calls them one by one
	shareRun  = 0.30 // the same of an examiner who calls whole rows, and pauses within a place
	// Numbers that come no longer after the last than these came after each other go on in one breath, into the next place too. Declared.
	shareGoesOn = 0.90
	// A place that comes in pieces goes on so: it is spoken slowly, or the ear cuts it up. Declared.
	sharePiece = 0.50

	// What the next numbers are while a place is not full: more of it, all of it once more, or the next place. Declared by what an
	// examiner can know: whoever begins before the soft tone could be heard goes on; whoever was told begins again, or gives the rest.
	onwardUnaware = 0.30
	againUnaware  = 0.05
	onwardAware   = 0.08
	againAware    = 0.50
	onwardTold    = 0.02
	againTold     = 0.70
	restTold      = 0.25
	onwardMissed  = 0.80 // begun before he can have heard that none of its numbers was understood
	againFilled   = 0.02 // after the answer that it is full now: who heard it goes on, and neighbours are often alike

	// All of a place once more, as the answer to a question about it, against going on.
	againAsked = 0.30
	// As many numbers as were asked for at another place are the answer so often. Declared.
	shareAnswered = 0.65
	// Who called places in one go, of which the last was not understood, begins with the first of them once more so often. Declared.
	shareRerun = 0.15
	// As many numbers as a place has, called when the question about it was over, are that place so often. Declared.
	shareTold = 0.90

	// Who was not understood so often goes on. Engineering choice: three tries are what people make of a call (tests/clinician).
	MostTries = 3

	// Numbers called twice agree so often, and so often by chance: 97 % of numbers are heard right in noise of 10 dB
	// (docs/experiments.md); depths of one mouth repeat (the open charts of tests/outside: two sites have the same depth in 0.3).
	agreeSame   = 0.90
	agreeChance = 0.30
	agreeAsked  = 0.60 // a doubtful number is right so often (docs/experiments.md: confidence of doubted calls)

	// Calls that go elsewhere are rare where numbers are expected, rarer in the middle of a place. Declared: some five jumps an exam of
	// 56 places.
	shareJump     = 0.30
	shareJumpAmid = 0.05
	shareJumpIn   = 0.005 // and in the breath of its numbers
	sharePause    = 0.10  // with a pause behind the word
	// A correction of other than one number or all of a place, a margin of two, a move on or back amid the numbers of a place. Declared.
	shareOdd = 0.10
	// A jump to a tooth that is not there: nothing can be called at it but that it is, and numbers are refused there. Declared.
	shareGone = 0.01
	// Depths of 10 mm and more: 0.2 % of sites (national survey data in tests/outside); over 15 mm is none.
	shareDeep = 0.05

	// Shares of probability.
	leastSound  = 0.20 // a reading that the sound alone gives less is not taken for what was meant, however well it would fit
	unnamed     = 0.30 // what readings that the ear did not name weigh against those that it did
	DoubtBelow  = 0.99 // written and marked as a doubt below this: a silent wrong value costs 50 questions; see docs/experiments.md
	RefuseBelow = 0.45 // less than this is no reading at all
	jumpBelow   = 0.85 // to go to another place and write there
	moveBelow   = 0.70 // for calls that move, delete or state more than a value: a wrong one costs 2 or 3, a repeated one 1
	nearTrust   = 0.80 // what a number that the engine only just rejected is worth where numbers are expected
	strayFiller = 0.6  // numbers out of the blue that fit no better are a piece of talk: see stray
	wakeFiller  = 2    // standing by, "go ahead" may cost so much if it is as loud as the numbers: none of 20 minutes of other speech was taken for it

	// Times, in ms.
	SameBreathMS = 450  // between words of a breath: the gaps that examiners make between the numbers of a place (tests/clinician), as the ear sees them
	ReactMS      = 350  // nobody reacts sooner to what he hears (engineering choice below published reaction times to sound and speech)
	ToldMS       = 250  // and, to a tone that he may have been waiting for
	FlowMS       = 3000 // the next numbers are expected so long after the last
	BlueMS       = 5000 // a call so long after the last one comes out of the blue
	AwayMS       = 20_000
)
