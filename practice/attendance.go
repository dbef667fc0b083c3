package practice

import (
	"slices"
	"time"
)

// grace is how long after its day a visit still counts as kept: 30 days, common practice, no source.
const grace = 30 * 24 * time.Hour

// Attendance is how a patient kept the visits that were decided.
type Attendance struct {
	Kept   int `json:"kept"`   // came up to 30 days after the day
	Late   int `json:"late"`   // came later
	Missed int `json:"missed"` // has not come, 30 days after the day
	// Compliance is complete, erratic or none, as Wilson et al. 1984 (J Periodontol 55:468, classes from memory) told patients in
	// maintenance apart; "" while no day has come.
	Compliance string `json:"compliance"`
}

// Decided is a day that was decided at an exam.
type Decided struct {
	Exam time.Time // when it was decided
	Day  time.Time
}

// AttendanceOf looks at the visits after each exam at which a day was decided.
func AttendanceOf(days []Decided, visits []time.Time, now time.Time) Attendance {
	visits = slices.SortedFunc(slices.Values(visits), time.Time.Compare)
	var a Attendance
	for _, d := range days {
		i := slices.IndexFunc(visits, func(v time.Time) bool { return v.After(d.Exam) })
		limit := d.Day.Add(24*time.Hour + grace)
		switch {
		case i >= 0 && visits[i].Before(limit):
			a.Kept++
		case i >= 0:
			a.Late++
		case now.After(limit):
			a.Missed++
		}
	}
	switch {
	case a.Kept+a.Late+a.Missed == 0:
	case a.Late+a.Missed == 0:
		a.Compliance = "complete"
	case a.Kept+a.Late == 0:
		a.Compliance = "none"
	default:
		a.Compliance = "erratic"
	}
	return a
}
