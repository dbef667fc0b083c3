package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"

	"leadsman/practice"
)

// ErasePatient erases a patient with all exams, events and clips. What is left are the entries of the journal, without their details:
// they name ids alone, which lead nowhere any more. The pages are overwritten and the write-ahead log is emptied; where a reader of the
// file keeps that from happening the error says so, and erasing again ends it. An exam of another patient that was compared with an
// erased one is compared with none from then on.
func (s *Store) ErasePatient(ctx context.Context, id string, e practice.Erase) (out practice.Erased, err error) {
	op := "erase patient " + id
	var there bool
	if err := s.r.QueryRowContext(ctx, "SELECT EXISTS (SELECT 1 FROM patients WHERE id = ?)", id).Scan(&there); err != nil {
		return out, s.fail(op, err)
	}
	if there {
		err = s.write(ctx, op, func(t *tx) error {
			out = practice.Erased{}
			return t.erasePerson(ctx, id, e.Reason, &out)
		})
	} else {
		// Erased before, with a reader in the way.
		var before bool
		if err = s.r.QueryRowContext(ctx, "SELECT EXISTS (SELECT 1 FROM journal WHERE patient = ? AND what = ?)", id, whatErased).Scan(&before); err == nil && !before {
			err = fmt.Errorf("patient %q: %w", id, ErrNotFound)
		}
	}
	if err != nil {
		return out, err
	}
	if err := s.wipe(ctx, s, op); err != nil {
		return out, err
	}
	if out.Copies, err = s.Copies(); err != nil || !e.Copies {
		return out, err
	}
	for _, c := range out.Copies {
		if err := os.Remove(c); err != nil && !errors.Is(err, os.ErrNotExist) {
			return out, &Error{Op: op, Path: c, Err: err, Hint: "the patient is erased from the store; remove this copy by hand"}
		}
	}
	out.Copies = nil
	return out, nil
}

const whatErased = "patient.erased"

// erasePerson erases a patient and the records that were merged into it: they are of the same person.
func (t *tx) erasePerson(ctx context.Context, id, reason string, out *practice.Erased) error {
	var whole string
	err := t.QueryRowContext(ctx, "SELECT whole FROM merged WHERE patient = ?", id).Scan(&whole)
	if err == nil {
		return fmt.Errorf("it was merged with patient %s: erase that one, this goes with it: %w", whole, ErrInvalid)
	}
	if !errors.Is(err, sql.ErrNoRows) {
		return err
	}
	// Those merged last come first, so that nobody refers to who is gone.
	ids, err := gather(ctx, t, text, `WITH RECURSIVE same (id, depth) AS (SELECT id, 0 FROM patients WHERE id = ? UNION SELECT merged.patient, depth + 1 FROM merged JOIN same ON merged.whole = same.id)
		SELECT id FROM same ORDER BY depth DESC`, id)
	if err != nil {
		return err
	}
	for _, id := range ids {
		if err := t.erase(ctx, id, reason, out); err != nil {
			return err
		}
	}
	return nil
}

// erase erases one patient. The rules that keep events from going are set aside within this transaction alone.
func (t *tx) erase(ctx context.Context, id, reason string, out *practice.Erased) error {
	resume, err := t.s.suspend(ctx, t, "events", "exams", "sound", "standing", "merged")
	if err != nil {
		return err
	}
	exams, err := gather(ctx, t, text, "SELECT id FROM exams WHERE patient = ?", id)
	if err != nil {
		return err
	}
	if err := t.compareWithNone(ctx, id); err != nil {
		return err
	}
	if _, err := t.ExecContext(ctx, "DELETE FROM due WHERE patient = ?", id); err != nil {
		return err
	}
	for _, x := range exams {
		if err := t.eraseExam(ctx, x, id, out); err != nil {
			return err
		}
	}
	if err := t.remove(ctx, Entry{What: "patient.changed", Table: "merged", Patient: id}, id); err != nil {
		return err
	}
	for _, q := range []string{"DELETE FROM outbox WHERE patient = ?", "DELETE FROM patients WHERE id = ?", "UPDATE journal SET detail = NULL WHERE patient = ? AND detail IS NOT NULL"} {
		if _, err := t.ExecContext(ctx, q, id); err != nil {
			return err
		}
	}
	if err := resume(); err != nil {
		return err
	}
	return t.record(ctx, Entry{What: whatErased, Table: "patients", Patient: id, Detail: fmt.Sprintf("%s: %d exams, %d events, %d clips", reason, out.Exams, out.Events, out.Clips)}, id)
}

// compareWithNone has no exam compared with one of the patient any more. Exams of others say so in the journal; those of the patient go.
func (t *tx) compareWithNone(ctx context.Context, patient string) error {
	type later struct{ exam, patient string }
	laters, err := gather(ctx, t, func(scan func(...any) error) (l later, err error) { err = scan(&l.exam, &l.patient); return },
		"UPDATE exams SET earlier = NULL WHERE earlier IN (SELECT id FROM exams WHERE patient = ?1) AND patient <> ?1 RETURNING id, patient", patient)
	if err != nil {
		return err
	}
	for _, l := range laters {
		if err := t.record(ctx, Entry{What: "exam.changed", Table: "exams", Patient: l.patient}, l.exam); err != nil {
			return err
		}
	}
	_, err = t.ExecContext(ctx, "UPDATE exams SET earlier = NULL WHERE patient = ?", patient)
	return err
}

// eraseExam erases an exam with its clips and events, and counts them.
func (t *tx) eraseExam(ctx context.Context, exam, patient string, out *practice.Erased) error {
	if err := t.fence(ctx, exam); err != nil {
		return fmt.Errorf("%w: finish it there: %w", practice.ErrRunning, err)
	}
	calls, err := gather(ctx, t, func(scan func(...any) error) (c int64, err error) { err = scan(&c); return },
		"DELETE FROM clips WHERE exam = ? RETURNING call", exam)
	if err != nil {
		return err
	}
	for _, c := range calls {
		if err := t.record(ctx, Entry{What: "clip.deleted", Table: "clips", Patient: patient}, exam, c); err != nil {
			return err
		}
	}
	r, err := t.ExecContext(ctx, "DELETE FROM events WHERE exam = ?", exam)
	if err != nil {
		return err
	}
	n, err := r.RowsAffected()
	if err != nil {
		return err
	}
	if err := t.remove(ctx, Entry{What: "exam.erased", Table: "standing", Patient: patient}, exam); err != nil {
		return err
	}
	for _, q := range []string{"DELETE FROM sound WHERE exam = ?", "DELETE FROM exams WHERE id = ?"} {
		if _, err := t.ExecContext(ctx, q, exam); err != nil {
			return err
		}
	}
	out.Exams, out.Events, out.Clips = out.Exams+1, out.Events+uint64(n), out.Clips+len(calls)
	return t.record(ctx, Entry{What: "exam.erased", Table: "exams", Patient: patient}, exam)
}

// remove deletes a row, if it is there, and journals it.
func (t *tx) remove(ctx context.Context, e Entry, key string) error {
	r, err := t.ExecContext(ctx, "DELETE FROM "+e.Table+" WHERE "+keyColumns(e.Table)[0]+" = ?", key)
	if err != nil {
		return err
	}
	if n, err := r.RowsAffected(); err != nil || n == 0 {
		return err
	}
	return t.record(ctx, e, key)
}
