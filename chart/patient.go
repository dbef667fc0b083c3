package chart

// Patient holds the inputs that rules need and that probing cannot give: asked, never assumed.
// A nil pointer means "not asked or not known".
type Patient struct {
	Age                    *int     `json:"age,omitempty"`                // years
	CigarettesPerDay       *int     `json:"cigarettes_per_day,omitempty"` // 0 = does not smoke
	HbA1cPercent           *float64 `json:"hba1c_percent,omitempty"`      // percent (NGSP)
	TeethLostPeriodontitis *int     `json:"teeth_lost_periodontitis,omitempty"`
	BoneLossPercent        *float64 `json:"bone_loss_percent,omitempty"` // of root length, at the worst tooth
}
