package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"leadsman/chart"
)

// pieces is what is left of a damaged log.
type pieces struct {
	events     []chart.Event // those that are intact, in order
	intact, of uint64
	lost       []uint64
}

func (p pieces) what() string {
	const few = 5
	s := fmt.Sprintf("%d of %d events are intact, lost: ", p.intact, p.of)
	for i, n := range p.lost {
		switch {
		case i == few:
			return s + fmt.Sprintf(" and %d more", len(p.lost)-few)
		case i > 0:
			s += ", "
		}
		s += fmt.Sprint(n)
	}
	if len(p.lost) == 0 {
		return fmt.Sprintf("all %d events are intact, but the exam's record of them is not", p.of)
	}
	return s
}

// pieces reads every event of an exam by itself, so that a damaged one or a damaged page costs no other.
func (s *Store) pieces(ctx context.Context, x Exam) (p pieces, err error) {
	// Where the record of the exam is damaged there may be more events, or fewer.
	var last sql.NullInt64
	if err := s.r.QueryRowContext(ctx, "SELECT MAX(seq) FROM events WHERE exam = ?", x.ID).Scan(&last); err != nil && !damaged(err) {
		return p, s.fail("read the log of exam "+x.ID, err)
	}
	const most = 1 << 20 // a count beyond it is damage itself
	p.of = max(x.Events, uint64(max(last.Int64, 0)))
	if p.of > most {
		p.of = min(x.Events, uint64(max(last.Int64, 0)), most)
	}
	for seq := uint64(1); seq <= p.of; seq++ {
		var sealed []byte
		err := s.r.QueryRowContext(ctx, "SELECT body FROM events WHERE exam = ? AND seq = ?", x.ID, seq).Scan(&sealed)
		if ctx.Err() != nil {
			return p, ctx.Err()
		}
		var e chart.Event
		if err == nil {
			e, err = s.decode(x.ID, seq, sealed)
		}
		if err != nil || e.Seq != seq {
			p.lost = append(p.lost, seq)
			continue
		}
		p.events = append(p.events, e)
		p.intact++
	}
	return p, nil
}

// Salvage makes a new, unsigned exam of what is left of a damaged log: all intact events, and where one is lost a note in its place.
// The damaged exam stays as it is. It returns the new exam; a log without damage or without an intact event is refused.
func (s *Store) Salvage(ctx context.Context, exam string) (Exam, error) {
	op := "salvage exam " + exam
	old, err := s.Exam(ctx, exam)
	if err != nil {
		return Exam{}, err
	}
	var found *CorruptError
	for _, err := range s.Log(exam).All(ctx) {
		if err != nil && !errors.As(err, &found) {
			return Exam{}, err
		}
	}
	if found == nil {
		return Exam{}, fmt.Errorf("%s: its log is intact: %w", op, ErrInvalid)
	}
	p, err := s.pieces(ctx, old)
	if err != nil {
		return Exam{}, err
	}
	if p.intact == 0 {
		return Exam{}, fmt.Errorf("%s: %w: nothing of it can be read; a backup may hold it", op, found)
	}
	evs, err := s.fill(ctx, exam, p)
	if err != nil {
		return Exam{}, err
	}
	if _, err := chart.Fold(evs); err != nil {
		return Exam{}, fmt.Errorf("%s: %w", op, err)
	}
	x, err := s.NewExam(ctx, Exam{Patient: old.Patient, Kind: old.Kind, Earlier: old.Earlier, Examiner: old.Examiner,
		Title: fmt.Sprintf("unverified: saved from damaged exam %s, %d of %d entries", exam, p.intact, p.of)})
	if err != nil {
		return Exam{}, err
	}
	if err := s.Log(x.ID).Append(ctx, evs...); err != nil {
		return Exam{}, err
	}
	err = s.write(ctx, op, func(t *tx) error {
		return t.record(ctx, Entry{What: whatSaved, Table: "exams", Patient: x.Patient, Detail: exam}, x.ID)
	})
	if err != nil {
		return Exam{}, err
	}
	return s.Exam(ctx, x.ID)
}

// fill puts notes where events are lost, so that the others keep their numbers.
func (s *Store) fill(ctx context.Context, exam string, p pieces) ([]chart.Event, error) {
	const lostHere = "An entry here was damaged and is lost; the others of this exam are as they were called."
	evs := make([]chart.Event, 0, p.of)
	rest := p.events
	started := false
	for _, e := range p.events {
		started = started || e.Kind == chart.KindStart
	}
	for seq := uint64(1); seq <= p.of; seq++ {
		var before chart.Event
		if len(evs) > 0 {
			before = evs[len(evs)-1]
		}
		if len(rest) > 0 && rest[0].Seq == seq {
			e := rest[0]
			rest = rest[1:]
			if e.Kind == chart.KindSign || e.Kind == chart.KindCosign {
				// What was signed is not what is left.
				e = note(e, before, fmt.Sprintf("The damaged exam was signed by %s on %s; what was saved of it is not signed.", e.Who, time.UnixMilli(e.Time).Format(time.DateOnly)))
			}
			evs = append(evs, e)
			continue
		}
		// The columns tell what was there, unproven as they are.
		e := chart.Event{Seq: seq, Time: before.Time, Source: chart.Tool}
		var call, at int64
		var kind string
		err := s.r.QueryRowContext(ctx, "SELECT call, time, kind FROM events WHERE exam = ? AND seq = ?", exam, seq).Scan(&call, &at, &kind)
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		if err != nil {
			call, kind = 0, ""
		}
		header := len(rest) > 0 && rest[0].Call == seq
		switch {
		case header || seq == 1:
			e.Call = seq
		case len(rest) > 0 && rest[0].Call == before.Call:
			e.Call = before.Call
		case call == int64(before.Call):
			e.Call = before.Call
		default:
			e.Call = seq
		}
		switch {
		case e.Call == seq:
			e.Kind, e.Refused = chart.KindCall, lostHere
		case !started:
			e.Kind, e.Numbering = chart.KindStart, chart.FDI
			started = true
		default:
			e = note(e, before, lostHere)
		}
		evs = append(evs, e)
	}
	return evs, nil
}

// note makes a remark of an event, at the tooth of the one before.
func note(e, before chart.Event, text string) chart.Event {
	return chart.Event{Seq: e.Seq, Call: e.Call, Time: e.Time, Source: chart.Tool, Kind: chart.KindRemark, Tooth: before.Tooth, Aspect: before.Aspect, Text: text}
}
