package practice

import (
	"testing"
	"time"
)

// Both sides of the limit of 30 days (common practice), and the three classes of Wilson et al. 1984.
func TestAttendance(t *testing.T) {
	day := func(s string) time.Time { d, _ := time.Parse(time.DateOnly, s); return d }
	d := func(exam, on string) Decided { return Decided{day(exam), day(on)} }
	now := day("2026-11-02")
	for _, c := range []struct {
		name   string
		days   []Decided
		visits []string
		want   Attendance
	}{
		{"nothing decided", nil, []string{"2026-01-01"}, Attendance{}},
		{"not yet due", []Decided{d("2026-10-01", "2027-01-01")}, []string{"2026-10-01"}, Attendance{}},
		{"came early", []Decided{d("2026-01-01", "2026-04-01")}, []string{"2026-01-01", "2026-03-01"}, Attendance{Kept: 1, Compliance: "complete"}},
		{"30 days after", []Decided{d("2026-01-01", "2026-04-01")}, []string{"2026-01-01", "2026-05-01"}, Attendance{Kept: 1, Compliance: "complete"}},
		{"31 days after", []Decided{d("2026-01-01", "2026-04-01")}, []string{"2026-01-01", "2026-05-02"}, Attendance{Late: 1, Compliance: "erratic"}},
		{"never came", []Decided{d("2026-01-01", "2026-04-01")}, []string{"2026-01-01"}, Attendance{Missed: 1, Compliance: "none"}},
		{"within the grace", []Decided{d("2026-07-01", "2026-10-20")}, []string{"2026-07-01"}, Attendance{}},
		{"some", []Decided{d("2025-01-01", "2025-04-01"), d("2025-04-10", "2025-07-01")}, []string{"2025-01-01", "2025-04-10"}, Attendance{Kept: 1, Missed: 1, Compliance: "erratic"}},
	} {
		var visits []time.Time
		for _, v := range c.visits {
			visits = append(visits, day(v))
		}
		if got := AttendanceOf(c.days, visits, now); got != c.want {
			t.Errorf("%s: %+v, want %+v", c.name, got, c.want)
		}
	}
}
