package diagnosis

import "leadsman/chart"

// Options are the settings of the rules. The zero value is the default of every one.
type Options struct {
	Detectable      int             // mm of interdental loss that counts as detectable: 1 (default) or 2
	ThirdMolars     bool            // third molars count for case, stage and extent
	ScoresWithout8  bool            // third molars do not count in scores, means and counts
	PISAThirdMolars bool            // third molars scored with the second molar's coefficients
	Adjacency       Adjacency       // which teeth are neighbours
	Extent          ExtentMode      // which teeth count for the extent
	Complexity      Complexity      // how complexity factors move the stage
	MildDistinct    bool            // surveillance: the two sites of mild must be on two teeth
	Nearest         bool            // halves are rounded up for the rules, not down
	UnlistedMissing bool            // teeth that the chart does not mention are missing, not unrecorded
	Doubts          []chart.DoubtAt // readings that are still in doubt
	Earlier         *Earlier        // the exam before, for direct evidence of progression
	Error           *ErrorModel     // how far readings repeat; nil: the published spread
}

// Adjacency says which teeth are neighbours.
type Adjacency string

// ExtentMode says which teeth count for the extent.
type ExtentMode string

// Complexity says how local complexity moves the stage.
type Complexity string

const (
	ByPosition       Adjacency  = "position"          // arch positions differ by one; default
	PresentNeighbour Adjacency  = "present_neighbour" // no present tooth between them
	StageLevel       ExtentMode = "stage_level"       // teeth at the level of the stage; default
	AnyInvolved      ExtentMode = "any_involved"      // teeth with any detectable loss
	Confirm          Complexity = "confirm"           // counts until rejected, provisional until confirmed; default
	Auto             Complexity = "auto"              // counts
	Off              Complexity = "off"               // never counts, except for stage IV on stage III
)

// Earlier is an exam before the one that is assessed.
type Earlier struct {
	Chart         *chart.Chart
	Years         float64 // between the exams
	OtherExaminer bool    // another examiner, probe or way of rounding
	Therapy       bool    // active therapy lies between the two: their difference is no rate
}

func (o *Options) detectable() int {
	if o.Detectable == 2 {
		return 2
	}
	return caseLoss
}
