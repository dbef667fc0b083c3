package store

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"iter"

	"leadsman/chart"
	"leadsman/chartfile"
	"leadsman/practice"
)

// Log is the log of one exam. Any number of Logs of an exam may be used at once.
type Log struct {
	s    *Store
	exam string
}

// Log returns the log of an exam. Whether the exam exists shows when the log is used.
func (s *Store) Log(exam string) practice.Log { return &Log{s, exam} }

// genesis is the hash before the first event: it ties a log to its exam.
func genesis(exam string) []byte {
	h := sha256.Sum256([]byte("leadsman log of exam " + exam))
	return h[:]
}

// link is the hash of an event: SHA-256 over the hash before and the event's bytes.
func link(prev, body []byte) []byte {
	h := sha256.New()
	h.Write(prev)
	h.Write(body)
	return h.Sum(nil)
}

// decode opens an event.
func (s *Store) decode(exam string, seq uint64, sealed []byte) (chart.Event, error) {
	body, err := s.keys.openEvent(exam, seq, sealed)
	if err != nil {
		return chart.Event{}, err
	}
	return chartfile.DecodeEvent(body)
}

// Append writes the events of a call in one transaction: all of them are on the disk when it returns
// nil, none of them after an error. Events must carry the numbers that follow the end of the log
// (ErrOutOfOrder). After a sign event only calls without effect, remarks and plans are taken (ErrSigned).
func (l *Log) Append(ctx context.Context, evs ...chart.Event) error {
	return l.AppendHeard(ctx, chart.Heard{}, evs...)
}

// AppendHeard is Append, and notes in the same transaction how far the sound of a stream is decided; events there need not be. A
// position behind the one that is there changes nothing: what was decided stays decided. It may move after the signature, too.
func (l *Log) AppendHeard(ctx context.Context, h chart.Heard, evs ...chart.Event) error {
	if h.Samples < 0 {
		return fmt.Errorf("note the sound of exam %s: position %d: %w", l.exam, h.Samples, ErrInvalid)
	}
	if len(evs) == 0 {
		if h.Stream == "" {
			return nil
		}
		return l.s.write(ctx, "note the sound of exam "+l.exam, func(tx *tx) error {
			if err := tx.fence(ctx, l.exam); err != nil {
				return err
			}
			return l.heard(ctx, tx, h)
		})
	}
	op := fmt.Sprintf("append event %d of exam %s", evs[0].Seq, l.exam)
	bodies := make([][]byte, len(evs))
	for i, e := range evs {
		b, err := e.Encode()
		if err == nil {
			// What could not be read back is never written.
			_, err = chartfile.DecodeEvent(b)
		}
		if err != nil {
			return fmt.Errorf("%s: %w", op, err)
		}
		if e.Call == 0 || e.Call > e.Seq {
			return fmt.Errorf("%s: event %d belongs to call %d, which comes after it: %w", op, e.Seq, e.Call, ErrOutOfOrder)
		}
		bodies[i] = b
	}
	return l.s.write(ctx, op, func(tx *tx) error { return l.append(ctx, tx, h, evs, bodies) })
}

// logEnd is what an exam's record says of its log.
type logEnd struct {
	last      uint64
	head      []byte
	signed    sql.NullInt64
	by        string
	patient   string
	wasSigned bool
	former    string // whose the exam was
	due       bool   // the list of who is due rests on the new events, or on that there are some
	stands    bool   // they say something of the exam as a whole
	amends    uint64 // the call that amends
}

// end reads it.
func (l *Log) end(ctx context.Context, tx *tx) (x logEnd, err error) {
	err = tx.QueryRowContext(ctx, "SELECT events, head, signed, signed_by, patient FROM exams WHERE id = ?", l.exam).
		Scan(&x.last, &x.head, &x.signed, &x.by, &x.patient)
	if errors.Is(err, sql.ErrNoRows) {
		return x, ErrNotFound
	}
	if err != nil {
		return x, err
	}
	if x.head, err = l.s.keys.open(headPlace(l.exam), x.head); err != nil {
		return x, corrupt(l.exam, x.last, "the exam's record of its end is not the one that was written")
	}
	x.wasSigned, x.former = x.signed.Valid, x.patient
	return x, nil
}

// take follows an event.
func (x *logEnd) take(e chart.Event) error {
	if e.Seq != x.last+1 {
		return fmt.Errorf("event %d after event %d: %w", e.Seq, x.last, ErrOutOfOrder)
	}
	if x.signed.Valid && !e.Kind.AfterSigning() && !(e.Kind.ByAmendment() && e.Call == x.amends) {
		return ErrSigned
	}
	switch e.Kind {
	case chart.KindSign:
		x.signed, x.by = sql.NullInt64{Int64: e.Time, Valid: true}, e.Who
	case chart.KindAmend:
		x.amends = e.Call
	case chart.KindOwner:
		x.patient, x.due = e.Patient, true
	case chart.KindPlan, chart.KindUndo, chart.KindRemark:
		x.due = true
	}
	x.due = x.due || e.Seq == 1
	x.stands = x.stands || e.Waits || e.Kind == chart.KindVoid || e.Kind == chart.KindCosign
	x.last = e.Seq
	return nil
}

// append writes events, whose bytes are bodies, and what follows from them.
func (l *Log) append(ctx context.Context, tx *tx, h chart.Heard, evs []chart.Event, bodies [][]byte) error {
	if err := tx.fence(ctx, l.exam); err != nil {
		return err
	}
	x, err := l.end(ctx, tx)
	if err != nil {
		return err
	}
	ins, err := tx.PrepareContext(ctx, tx.s.bind("INSERT INTO events (exam, seq, call, time, source, kind, body) VALUES (?,?,?,?,?,?,?)"))
	if err != nil {
		return err
	}
	defer ins.Close()
	for i, e := range evs {
		if err := x.take(e); err != nil {
			return err
		}
		x.head = link(x.head, bodies[i])
		if _, err := ins.ExecContext(ctx, l.exam, e.Seq, e.Call, e.Time, string(e.Source), string(e.Kind), l.s.keys.sealEvent(l.exam, e.Seq, bodies[i])); err != nil {
			return err
		}
	}
	head := l.s.keys.seal(headPlace(l.exam), x.head)
	if x.signed.Valid && !x.wasSigned {
		_, err = tx.ExecContext(ctx, "UPDATE exams SET events=?, head=?, signed=?, signed_by=? WHERE id=?", x.last, head, x.signed, x.by, l.exam)
	} else {
		_, err = tx.ExecContext(ctx, "UPDATE exams SET events=?, head=?, patient=? WHERE id=?", x.last, head, x.patient, l.exam)
	}
	what, reason := told(evs)
	if err == nil && x.patient != x.former { // the former patient's journal says where the exam is
		err = tx.enter(ctx, Entry{What: "exam.left", Key: l.exam, Patient: x.former, Who: evs[0].Person, Detail: "to patient " + x.patient + ": " + reason}, nil)
	}
	if err == nil {
		err = tx.record(ctx, Entry{What: what, Table: "exams", Patient: x.patient, Who: evs[0].Person, Detail: reason}, l.exam)
	}
	if err == nil && x.stands {
		err = l.stand(ctx, tx, x.patient, evs)
	}
	if err == nil && (x.due || x.stands) {
		err = tx.dueAgain(ctx, x.patient)
	}
	if err == nil && x.patient != x.former {
		err = tx.dueAgain(ctx, x.former)
	}
	if err == nil {
		err = l.tell(ctx, tx, x.patient, evs)
	}
	if err != nil || h.Stream == "" {
		return err
	}
	return l.heard(ctx, tx, h)
}

// told is what the journal says of the events of a call, with the reason if they have one.
func told(evs []chart.Event) (what, reason string) {
	what = "exam.called"
	for _, e := range evs {
		switch e.Kind {
		case chart.KindSign:
			what = "exam.signed"
		case chart.KindCosign:
			what = "exam.co-signed"
		case chart.KindAmend:
			what, reason = "exam.amended", e.Text
		case chart.KindOwner:
			what, reason = "exam.moved", e.Text
		case chart.KindVoid:
			if what, reason = "exam.voided", e.Text; *e.Value == 0 {
				what = "exam.reinstated"
			}
		}
	}
	return what, reason
}

// stand keeps what events say of the exam as a whole.
func (l *Log) stand(ctx context.Context, tx *tx, patient string, evs []chart.Event) error {
	var void, waits bool
	err := tx.QueryRowContext(ctx, "SELECT void, waits FROM standing WHERE exam = ?", l.exam).Scan(&void, &waits)
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return err
	}
	for _, e := range evs {
		switch {
		case e.Kind == chart.KindVoid:
			void = *e.Value == 1
		case e.Kind == chart.KindCosign:
			waits = false
		case e.Waits:
			waits = true
		}
	}
	if _, err = tx.ExecContext(ctx, `INSERT INTO standing (exam, void, waits) VALUES (?,?,?)
		ON CONFLICT (exam) DO UPDATE SET void = excluded.void, waits = excluded.waits`, l.exam, void, waits); err != nil {
		return err
	}
	return tx.record(ctx, Entry{What: "exam.stands", Table: "standing", Patient: patient, Who: evs[0].Person}, l.exam)
}

// heard writes a position.
func (l *Log) heard(ctx context.Context, tx *tx, h chart.Heard) error {
	var there bool
	if err := tx.QueryRowContext(ctx, "SELECT EXISTS (SELECT 1 FROM exams WHERE id = ?)", l.exam).Scan(&there); err != nil {
		return err
	}
	if !there {
		return ErrNotFound
	}
	_, err := tx.ExecContext(ctx, `INSERT INTO sound (exam, stream, samples, mac) VALUES (?,?,?,?)
		ON CONFLICT (exam, stream) DO UPDATE SET samples = excluded.samples, mac = excluded.mac WHERE excluded.samples > sound.samples`,
		l.exam, h.Stream, h.Samples, l.s.keys.soundMAC(l.exam, h.Stream, h.Samples))
	return err
}

// HeardUpTo is how far the sound of a stream is decided; known is false where nothing of it was.
func (l *Log) HeardUpTo(ctx context.Context, stream string) (samples int64, known bool, err error) {
	err = l.s.r.QueryRowContext(ctx, "SELECT samples FROM sound WHERE exam = ? AND stream = ?", l.exam, stream).Scan(&samples)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, false, nil
	}
	if err != nil {
		return 0, false, l.s.fail("read how far the sound of exam "+l.exam+" is decided", err)
	}
	return samples, true, nil
}

// All yields the events of the log in order, as they were when it was called. Each is checked: its
// number, its bytes, its place in the hash chain, and at the end that none is missing. Damage ends
// the sequence with a *CorruptError; the events yielded before are intact. An exam that does not
// exist gives ErrNotFound.
func (l *Log) All(ctx context.Context) iter.Seq2[chart.Event, error] {
	return func(yield func(chart.Event, error) bool) {
		op := "read the log of exam " + l.exam
		c := logCheck{log: l, prev: genesis(l.exam)}
		stop := func(err error) {
			if damaged(err) {
				err = c.corrupt("%w", err)
			} else {
				err = l.s.fail(op, err)
			}
			yield(chart.Event{}, err)
		}
		// One statement sees one state of the file, head and events alike.
		rows, err := l.s.r.QueryContext(ctx, `SELECT x.events, x.head, e.seq, e.call, e.time, e.source, e.kind, e.body
			FROM exams x LEFT JOIN events e ON e.exam = x.id WHERE x.id = ? ORDER BY e.seq`, l.exam)
		if err != nil {
			stop(err)
			return
		}
		defer rows.Close()
		found := false
		for rows.Next() {
			found = true
			e, err := c.next(rows)
			if err != nil {
				stop(err)
				return
			}
			if e.Seq == 0 {
				break // no events yet
			}
			if !yield(e, nil) {
				return
			}
		}
		if err := rows.Err(); err != nil {
			stop(err)
			return
		}
		if err := c.end(); !found {
			yield(chart.Event{}, fmt.Errorf("%s: %w", op, ErrNotFound))
		} else if err != nil {
			stop(err)
		}
	}
}

// logCheck checks a log while it is read.
type logCheck struct {
	log    *Log
	prev   []byte // the chain's link of the last event
	last   uint64 // its number
	events uint64 // so many were written, as the exam has it
	head   []byte // and the link of the last of them, sealed
}

// corrupt says what is wrong behind the last intact event.
func (c *logCheck) corrupt(format string, a ...any) error {
	return corrupt(c.log.exam, c.last+1, format, a...)
}

// next reads the row of an event; a log without any has one row without an event.
func (c *logCheck) next(rows *sql.Rows) (e chart.Event, err error) {
	var seq, call, time sql.NullInt64
	var source, kind sql.NullString
	var body []byte
	if err := rows.Scan(&c.events, &c.head, &seq, &call, &time, &source, &kind, &body); err != nil {
		return e, c.corrupt("unreadable row: %w", err)
	}
	if !seq.Valid {
		return e, nil
	}
	if uint64(seq.Int64) != c.last+1 {
		return e, c.corrupt("event %d follows event %d", seq.Int64, c.last)
	}
	if body, err = c.log.s.keys.openEvent(c.log.exam, c.last+1, body); err != nil {
		return e, c.corrupt("%w", err)
	}
	if e, err = chartfile.DecodeEvent(body); err != nil {
		return e, c.corrupt("%w", err)
	}
	if e.Seq != c.last+1 || int64(e.Call) != call.Int64 || e.Time != time.Int64 || string(e.Source) != source.String || string(e.Kind) != kind.String {
		return e, c.corrupt("its columns do not match its bytes")
	}
	c.prev, c.last = link(c.prev, body), e.Seq
	return e, nil
}

// end checks that nothing is missing behind the last event.
func (c *logCheck) end() error {
	switch {
	case c.last != c.events:
		return c.corrupt("the log ends here but %d events were written", c.events)
	case hex.EncodeToString(c.prev) != c.log.s.keys.openHead(c.log.exam, c.head):
		return corrupt(c.log.exam, max(c.last, 1), "the end of the log does not match the exam's record of it")
	}
	return nil
}
