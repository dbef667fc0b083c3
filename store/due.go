package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"leadsman/chart"
	"leadsman/practice"
)

// The table due has the newest exam of each patient, and what was decided at it: at least one row of everybody who had an exam. It
// follows from the exams and their logs alone, and is made anew for a patient in the transaction of what changes it.

// dueKinds are the events on which a row of due rests.
const dueKinds = "('plan', 'undo', 'remark')"

// dueAgain makes the rows of a patient anew.
func (t *tx) dueAgain(ctx context.Context, patient string) error {
	ds, err := t.s.dueNow(ctx, t, patient)
	if err != nil {
		return err
	}
	if _, err := t.ExecContext(ctx, "DELETE FROM due WHERE patient = ?", patient); err != nil {
		return err
	}
	for _, d := range ds {
		var c practice.Contact
		if d.Contacted != nil {
			c = *d.Contacted
		}
		if _, err := t.ExecContext(ctx, "INSERT INTO due ("+dueCols+", undecided) VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?)",
			patient, d.What, d.Exam, d.Began, d.Day, d.Months, d.Who, d.Decided, d.Call, c.Call, c.Time, c.Who, d.Day == ""); err != nil {
			return err
		}
	}
	return nil
}

const dueCols = "patient, what, exam, began, day, months, who, decided, call, contacted_call, contacted, contacted_who"

// dueNow works out the rows of a patient from the exams.
func (s *Store) dueNow(ctx context.Context, db querier, patient string) ([]practice.Due, error) {
	d := practice.Due{Patient: patient}
	// Rows are numbered as they come: the clock may have been set back. An exam begins with the first event of its log, or with its record
	// if the log is empty.
	err := db.QueryRowContext(ctx, `SELECT x.id, COALESCE((SELECT time FROM events WHERE exam = x.id AND seq = 1), x.created) FROM exams x
		WHERE x.patient = ? AND x.id NOT IN (SELECT exam FROM standing WHERE void = 1) ORDER BY x.rowid DESC LIMIT 1`, patient).Scan(&d.Exam, &d.Began)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	type row struct {
		seq  uint64
		body []byte
	}
	rows, err := gather(ctx, db, func(scan func(...any) error) (r row, err error) { err = scan(&r.seq, &r.body); return },
		"SELECT seq, body FROM events WHERE exam = ? AND kind IN "+dueKinds+" ORDER BY seq", d.Exam)
	if err != nil {
		return nil, err
	}
	var plans []chart.Decision
	var remarks []chart.Event
	for _, r := range rows {
		e, err := s.decode(d.Exam, r.seq, r.body)
		if err != nil {
			continue // one damaged event hides no plan but its own; reading the log says what is wrong
		}
		switch p, ok := chart.DecisionOf(e); {
		case e.Kind == chart.KindUndo:
			plans = slices.DeleteFunc(plans, func(p chart.Decision) bool { return p.Call == e.Undo })
			remarks = slices.DeleteFunc(remarks, func(m chart.Event) bool { return m.Call == e.Undo })
		case e.Kind == chart.KindRemark:
			remarks = append(remarks, e)
		case ok:
			plans = append(plans, p)
		}
	}
	return practice.DueBy(d, plans, remarks), nil
}

// dueOrder is that of the list: the earliest day first; without a decision last, the exam that is longest ago first.
const dueOrder = "undecided, day, began, patient, what"

func scanDue(scan func(...any) error) (d practice.Due, err error) {
	var c practice.Contact
	err = scan(&d.Patient, &d.What, &d.Exam, &d.Began, &d.Day, &d.Months, &d.Who, &d.Decided, &d.Call, &c.Call, &c.Time, &c.Who)
	if c.Call != 0 {
		d.Contacted = &c
	}
	return d, err
}

// DueOf has the rows of some patients, by patient, the earliest day first.
func (s *Store) DueOf(ctx context.Context, patients ...string) (map[string][]practice.Due, error) {
	const many = 50 // at once: the statement is always the same
	out := map[string][]practice.Due{}
	for some := range slices.Chunk(patients, many) {
		args := make([]any, many)
		for i := range args {
			args[i] = some[min(i, len(some)-1)]
		}
		ds, err := list(ctx, s, "read who is due", scanDue, "SELECT "+dueCols+" FROM due WHERE patient IN (?"+strings.Repeat(",?", many-1)+") ORDER BY "+dueOrder, args...)
		if err != nil {
			return nil, err
		}
		for _, d := range ds {
			out[d.Patient] = append(out[d.Patient], d)
		}
	}
	return out, nil
}

// DuePage lists who is due, the earliest day first and those without a decision last, as far as q.Limit goes; next is where to go on,
// "" at the end.
func (s *Store) DuePage(ctx context.Context, q practice.DueQuery) (ds []practice.Due, next string, err error) {
	const op = "list who is due"
	where, args := []string{"patient <> ''"}, []any{}
	and := func(cond string, v ...any) { where, args = append(where, cond), append(args, v...) }
	if q.Patient != "" {
		and("patient = ?", q.Patient)
	}
	if q.Undecided {
		and("undecided = 1")
	}
	if q.From != "" || q.To != "" {
		and("undecided = 0")
	}
	if q.From != "" {
		and("day >= ?", q.From)
	}
	if q.To != "" {
		and("day <= ?", q.To)
	}
	if q.After != "" {
		at := strings.Split(q.After, ".")
		var began int64
		if len(at) == 4 {
			began, err = strconv.ParseInt(at[1], 10, 64)
		}
		if len(at) != 4 || err != nil {
			return nil, "", fmt.Errorf("%s: there is no page %q: begin with the first: %w", op, q.After, ErrInvalid)
		}
		and("("+dueOrder+") > (?, ?, ?, ?, ?)", at[0] == "", at[0], began, at[2], at[3])
	}
	ds, err = list(ctx, s, op, scanDue, "SELECT "+dueCols+" FROM due WHERE "+strings.Join(where, " AND ")+" ORDER BY "+dueOrder+" LIMIT ?", append(args, q.Limit+1)...)
	if err != nil {
		return nil, "", err
	}
	if len(ds) > q.Limit {
		ds = ds[:q.Limit]
		last := ds[len(ds)-1]
		next = fmt.Sprintf("%s.%d.%s.%s", last.Day, last.Began, last.Patient, last.What)
	}
	for i := range ds {
		p, err := s.Patient(ctx, ds[i].Patient)
		if errors.Is(err, ErrDamaged) {
			p.Name, err = "(damaged record) "+p.ID, nil
		}
		if err != nil {
			return nil, "", err
		}
		ds[i].Name, ds[i].Number, ds[i].Phone = p.Name, p.Number, p.Phone
	}
	return ds, next, nil
}

// due checks that the list says what the exams say.
func (v *verification) due(ctx context.Context) error {
	return v.s.ofOneMoment(ctx, func(tx *tx) error {
		wrong, err := v.s.dueWrong(ctx, tx)
		for _, p := range wrong {
			v.problem("patient %s: the list of who is due is not what the exams say: exams and plans are not touched; leadsman verify --accept REASON makes the list anew", p)
		}
		return err
	})
}

// dueWrong names the patients whose rows are not what the exams say.
func (s *Store) dueWrong(ctx context.Context, db querier) (patients []string, err error) {
	there := map[string][]practice.Due{}
	rows, err := gather(ctx, db, scanDue, "SELECT "+dueCols+" FROM due ORDER BY patient, what")
	if err != nil {
		return nil, err
	}
	for _, d := range rows {
		there[d.Patient] = append(there[d.Patient], d)
	}
	ids, err := gather(ctx, db, text, "SELECT id FROM patients")
	if err != nil {
		return nil, err
	}
	for _, id := range ids {
		want, err := s.dueNow(ctx, db, id)
		if err != nil {
			return nil, err
		}
		slices.SortFunc(want, func(a, b practice.Due) int { return strings.Compare(a.What, b.What) })
		if !slices.EqualFunc(want, there[id], practice.Due.Same) {
			patients = append(patients, id)
		}
	}
	return patients, nil
}
