package store

import (
	"context"
	"crypto/rand"
	"database/sql"
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"leadsman/chart"
	"leadsman/practice"
)

// address is what is sealed of a hook.
type address struct {
	URL    string `json:"url"`
	Secret string `json:"secret"`
}

func (s *Store) scanHook(scan func(...any) error) (h practice.Hook, err error) {
	var sealed []byte
	var events string
	var made int64
	if err = scan(&h.ID, &sealed, &events, &h.Details, &made, &h.MadeBy, &h.Waiting, &h.GivenUp); err != nil {
		return h, err
	}
	h.Events, h.Made = strings.Fields(events), fromMillis(made)
	b, err := s.keys.open(hookPlace(h.ID), sealed)
	var a address
	if err == nil {
		err = json.Unmarshal(b, &a)
	}
	h.URL, h.Secret = a.URL, a.Secret
	return h, err
}

// Hooks lists where it is told what became of exams, the oldest first.
func (s *Store) Hooks(ctx context.Context) ([]practice.Hook, error) {
	return list(ctx, s, "list hooks", s.scanHook, `SELECT id, sealed, events, details, made, made_by,
		(SELECT count(*) FROM outbox WHERE hook = hooks.id AND next IS NOT NULL), (SELECT count(*) FROM outbox WHERE hook = hooks.id AND next IS NULL AND sent IS NULL)
		FROM hooks ORDER BY made, id`)
}

// AddHook keeps a new one with its secret.
func (s *Store) AddHook(ctx context.Context, h practice.Hook) (practice.Hook, error) {
	id, err := newID(h.ID)
	if err != nil {
		return h, err
	}
	h.ID, h.Made = id, s.now()
	b, _ := json.Marshal(address{h.URL, h.Secret}) // #nosec G117 -- it is sealed below; strings always can be written
	return h, s.write(ctx, "store hook", func(tx *tx) error {
		_, err := tx.ExecContext(ctx, "INSERT INTO hooks (id, sealed, events, details, made, made_by) VALUES (?,?,?,?,?,?)",
			h.ID, s.keys.seal(hookPlace(h.ID), b), strings.Join(h.Events, " "), h.Details, millis(h.Made), h.MadeBy)
		if err = taken("hook "+h.ID, err); err != nil {
			return err
		}
		return tx.record(ctx, Entry{What: "hook.made", Table: "hooks", Detail: h.URL + ": " + strings.Join(h.Events, " ")}, h.ID)
	})
}

// RemoveHook ends one; its notices go with it.
func (s *Store) RemoveHook(ctx context.Context, id string) error {
	return s.write(ctx, "remove hook", func(tx *tx) error {
		if _, err := tx.ExecContext(ctx, "DELETE FROM outbox WHERE hook = ?", id); err != nil {
			return err
		}
		var there bool
		if err := tx.QueryRowContext(ctx, "SELECT EXISTS (SELECT 1 FROM hooks WHERE id = ?)", id).Scan(&there); err != nil {
			return err
		}
		if !there {
			return fmt.Errorf("hook %q: %w", id, ErrNotFound)
		}
		return tx.remove(ctx, Entry{What: "hook.removed", Table: "hooks"}, id)
	})
}

// tell puts notices about events into the outbox, for every hook that wants them.
func (l *Log) tell(ctx context.Context, tx *tx, patient string, evs []chart.Event) error {
	var hooks map[string][]string // events by hook
	for i := range evs {
		what := practice.Told(&evs[i])
		if what == "" {
			continue
		}
		if hooks == nil {
			hooks = map[string][]string{}
			type hook struct{ id, events string }
			all, err := gather(ctx, tx, func(scan func(...any) error) (h hook, err error) { err = scan(&h.id, &h.events); return }, "SELECT id, events FROM hooks ORDER BY id")
			if err != nil {
				return err
			}
			for _, h := range all {
				hooks[h.id] = strings.Fields(h.events)
			}
		}
		for id, wanted := range hooks {
			for _, w := range wanted {
				if w != what {
					continue
				}
				if err := put(ctx, tx, practice.Notice{Hook: id, What: what, Exam: l.exam, Patient: patient, Seq: evs[i].Seq, Time: fromMillis(evs[i].Time)}); err != nil {
					return err
				}
			}
		}
	}
	return nil
}

// put writes a notice, due at once.
func put(ctx context.Context, tx *tx, l practice.Notice) error {
	_, err := tx.ExecContext(ctx, `INSERT INTO outbox (n, id, hook, what, exam, patient, seq, time, tries, next, sent, fault)
		VALUES ((SELECT COALESCE(MAX(n), 0) + 1 FROM outbox),?,?,?,?,?,?,?,0,?,NULL,'')`,
		"msg_"+rand.Text(), l.Hook, l.What, l.Exam, l.Patient, l.Seq, millis(l.Time), millis(tx.s.now()))
	return err
}

// Try puts a notice that tells of nothing into the outbox of a hook.
func (s *Store) Try(ctx context.Context, hook string) error {
	return s.write(ctx, "try hook", func(tx *tx) error {
		var there bool
		err := tx.QueryRowContext(ctx, "SELECT EXISTS (SELECT 1 FROM hooks WHERE id = ?)", hook).Scan(&there)
		if err == nil && !there {
			err = fmt.Errorf("hook %q: %w", hook, ErrNotFound)
		}
		if err != nil {
			return err
		}
		return put(ctx, tx, practice.Notice{Hook: hook, What: practice.ToldNothing, Time: s.now()})
	})
}

const noticeCols = "n, id, hook, what, exam, patient, seq, time, tries, next, sent, fault"

func scanNotice(scan func(...any) error) (l practice.Notice, err error) {
	var at int64
	var next, sent sql.NullInt64
	err = scan(&l.N, &l.ID, &l.Hook, &l.What, &l.Exam, &l.Patient, &l.Seq, &at, &l.Tries, &next, &sent, &l.Fault)
	l.Time = fromMillis(at)
	if next.Valid {
		l.Next = fromMillis(next.Int64)
	}
	if sent.Valid {
		l.Sent = fromMillis(sent.Int64)
	}
	return l, err
}

// NoticesDue are those that are to be tried by now, the oldest first.
func (s *Store) NoticesDue(ctx context.Context, now time.Time, limit int) ([]practice.Notice, error) {
	return list(ctx, s, "read the outbox", scanNotice, "SELECT "+noticeCols+" FROM outbox WHERE next IS NOT NULL AND next <= ? ORDER BY n LIMIT ?", millis(now), limit)
}

// Notices lists those of a hook, the newest first.
func (s *Store) Notices(ctx context.Context, hook string, limit int) ([]practice.Notice, error) {
	return list(ctx, s, "read the outbox", scanNotice, "SELECT "+noticeCols+" FROM outbox WHERE hook = ? ORDER BY n DESC LIMIT ?", hook, limit)
}

// NoticeTried notes how a try ended: l.Sent, l.Next and l.Fault say it, and whether it is given up. A notice that went meanwhile stays gone.
func (s *Store) NoticeTried(ctx context.Context, l practice.Notice) error {
	nullable := func(t time.Time) any {
		if t.IsZero() {
			return nil
		}
		return millis(t)
	}
	return s.write(ctx, "note a try", func(tx *tx) error {
		r, err := tx.ExecContext(ctx, "UPDATE outbox SET tries = ?, next = ?, sent = ?, fault = ? WHERE n = ? AND id = ?", l.Tries, nullable(l.Next), nullable(l.Sent), l.Fault, l.N, l.ID)
		if err != nil {
			return err
		}
		if n, err := r.RowsAffected(); err != nil || n == 0 {
			return err
		}
		switch {
		case !l.Sent.IsZero():
			return tx.enter(ctx, Entry{What: "hook.told", Patient: l.Patient, Detail: l.What + " to " + l.Hook}, nil)
		case l.Next.IsZero():
			return tx.enter(ctx, Entry{What: "hook.gave-up", Patient: l.Patient, Detail: l.What + " to " + l.Hook + ": " + l.Fault}, nil)
		}
		return nil
	})
}

// SendAgain makes the notices of a hook that were given up due, as if they were new.
func (s *Store) SendAgain(ctx context.Context, hook string) (n int, err error) {
	err = s.write(ctx, "send again", func(tx *tx) error {
		r, err := tx.ExecContext(ctx, "UPDATE outbox SET tries = 0, next = ? WHERE hook = ? AND next IS NULL AND sent IS NULL", millis(s.now()), hook)
		if err != nil {
			return err
		}
		many, err := r.RowsAffected()
		if n = int(many); err != nil || n == 0 {
			return err
		}
		return tx.enter(ctx, Entry{What: "hook.again", Detail: fmt.Sprintf("%d notices to %s", n, hook)}, nil)
	})
	return n, err
}

// ForgetNotices deletes what was sent before a time.
func (s *Store) ForgetNotices(ctx context.Context, before time.Time) error {
	var old bool
	err := s.r.QueryRowContext(ctx, "SELECT EXISTS (SELECT 1 FROM outbox WHERE sent < ?)", millis(before)).Scan(&old)
	if err != nil || !old {
		return s.fail("read the outbox", err)
	}
	return s.write(ctx, "forget notices", func(tx *tx) error {
		_, err := tx.ExecContext(ctx, "DELETE FROM outbox WHERE sent < ?", millis(before))
		return err
	})
}

// Hook is one of them, or ErrNotFound.
func (s *Store) Hook(ctx context.Context, id string) (practice.Hook, error) {
	all, err := s.Hooks(ctx)
	if err != nil {
		return practice.Hook{}, err
	}
	for _, h := range all {
		if h.ID == id {
			return h, nil
		}
	}
	return practice.Hook{}, fmt.Errorf("hook %q: %w", id, ErrNotFound)
}
