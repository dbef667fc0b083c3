package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
)

// maxVoice is the largest voice profile, in bytes.
const maxVoice = 1 << 20

// PutVoice keeps the voice profile of an examiner in the place of a former one. It fails with ErrNotFound without such an examiner.
func (s *Store) PutVoice(ctx context.Context, v Voice) (Voice, error) {
	const op = "store voice profile"
	if len(v.Profile) == 0 || len(v.Profile) > maxVoice || len(v.Report) > 10_000 {
		return Voice{}, fmt.Errorf("%s: profile of %d bytes, report of %d: 1 to %d and at most 10000 are kept: %w", op, len(v.Profile), len(v.Report), maxVoice, ErrInvalid)
	}
	now := millis(s.now())
	v.Created = fromMillis(now)
	return v, s.write(ctx, op, func(tx *tx) error {
		var n int
		if err := tx.QueryRowContext(ctx, "SELECT count(*) FROM examiners WHERE id = ?", v.Examiner).Scan(&n); err != nil {
			return err
		}
		if n == 0 {
			return fmt.Errorf("examiner %q: %w", v.Examiner, ErrNotFound)
		}
		_, err := tx.ExecContext(ctx, `INSERT INTO voices (examiner, created, engine, report, profile) VALUES (?,?,?,?,?)
			ON CONFLICT (examiner) DO UPDATE SET created = excluded.created, engine = excluded.engine, report = excluded.report, profile = excluded.profile`,
			v.Examiner, now, v.Engine, v.Report, s.keys.seal(voicePlace(v.Examiner), v.Profile))
		if err != nil {
			return err
		}
		return tx.record(ctx, Entry{What: "voice.kept", Table: "voices"}, v.Examiner)
	})
}

// Voice returns the voice profile of an examiner, or ErrNotFound.
func (s *Store) Voice(ctx context.Context, examiner string) (v Voice, err error) {
	var created int64
	err = s.r.QueryRowContext(ctx, "SELECT examiner, created, engine, report, profile FROM voices WHERE examiner = ?", examiner).
		Scan(&v.Examiner, &created, &v.Engine, &v.Report, &v.Profile)
	if errors.Is(err, sql.ErrNoRows) {
		return v, fmt.Errorf("voice profile of examiner %q: %w", examiner, ErrNotFound)
	}
	v.Created = fromMillis(created)
	if err == nil {
		if v.Profile, err = s.keys.open(voicePlace(examiner), v.Profile); err != nil {
			err = fmt.Errorf("its bytes are not those that were kept: %w: enrol the voice again", ErrDamaged)
		}
	}
	return v, s.fail("read voice profile", err)
}

// EraseVoice wipes the voice profile of an examiner from the data file, if there is one. Its bytes are overwritten and the file's
// write-ahead log is emptied, so that nothing of them is left on the disk but in backups made before. Where a reader of the file
// keeps the log from being emptied, the error says so; erasing again ends it.
func (s *Store) EraseVoice(ctx context.Context, examiner string) error {
	const op = "erase voice profile"
	err := s.write(ctx, op, func(tx *tx) error {
		if _, err := tx.ExecContext(ctx, "DELETE FROM voices WHERE examiner = ?", examiner); err != nil { // secure_delete overwrites it
			return err
		}
		return tx.record(ctx, Entry{What: "voice.erased", Table: "voices"}, examiner)
	})
	if err != nil {
		return err
	}
	return s.wipe(ctx, s, op)
}
