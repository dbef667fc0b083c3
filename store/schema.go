package store

import (
	"context"
	"database/sql"
	"fmt"
	"os"
)

// appID marks the file as one of ours (PRAGMA application_id): "Lead" in ASCII.
const appID = 0x4c656164

// schema holds the steps that bring a file from version i to i+1. A released step is never edited:
// changes are new steps at the end. The version is kept in the file (PRAGMA user_version).
var schema = []string{`
CREATE TABLE patients (
	id      TEXT PRIMARY KEY,
	name    TEXT NOT NULL,
	born    TEXT NOT NULL,             -- YYYY-MM-DD, or empty
	number  TEXT NOT NULL,             -- the practice's own record number
	contact TEXT NOT NULL,
	notes   TEXT NOT NULL,
	due     TEXT NOT NULL,             -- next recall, YYYY-MM-DD, or empty
	version INTEGER NOT NULL,          -- 1, 2, ...: a change must name the version it was made from
	created INTEGER NOT NULL,          -- Unix milliseconds, like all times here
	changed INTEGER NOT NULL,
	search  TEXT NOT NULL              -- name, number, born in lower case
) STRICT;

CREATE TABLE examiners (
	id   TEXT PRIMARY KEY,
	name TEXT NOT NULL,
	retired INTEGER NOT NULL CHECK (retired IN (0, 1)) -- 1: no longer offered, kept for old exams
) STRICT;

CREATE TABLE exams (
	id        TEXT PRIMARY KEY,
	patient   TEXT NOT NULL REFERENCES patients,
	kind      TEXT NOT NULL CHECK (kind IN ('exam', 're-evaluation')),
	earlier   TEXT REFERENCES exams,
	examiner  TEXT NOT NULL,           -- the name as it was then
	title     TEXT NOT NULL,
	created   INTEGER NOT NULL,
	events    INTEGER NOT NULL,        -- number of events: a log that lost its end is noticed
	head      BLOB NOT NULL,           -- hash of the last event
	signed    INTEGER,                 -- NULL until signed
	signed_by TEXT NOT NULL
) STRICT;
CREATE INDEX exams_by_patient ON exams (patient, created);
CREATE INDEX exams_by_earlier ON exams (earlier);

CREATE TABLE events (
	exam   TEXT NOT NULL REFERENCES exams,
	seq    INTEGER NOT NULL,
	call   INTEGER NOT NULL,
	time   INTEGER NOT NULL,
	source TEXT NOT NULL,
	kind   TEXT NOT NULL,
	body   BLOB NOT NULL,              -- chart.Event.Encode
	hash   BLOB NOT NULL,              -- SHA-256 of the hash before and body
	PRIMARY KEY (exam, seq)
) STRICT, WITHOUT ROWID;

CREATE TRIGGER events_never_change BEFORE UPDATE ON events
BEGIN SELECT RAISE(ABORT, 'events are never changed'); END;
CREATE TRIGGER events_never_go BEFORE DELETE ON events
BEGIN SELECT RAISE(ABORT, 'events are never deleted'); END;
CREATE TRIGGER events_in_order BEFORE INSERT ON events
WHEN NEW.seq <> (SELECT COALESCE(MAX(seq), 0) + 1 FROM events WHERE exam = NEW.exam)
BEGIN SELECT RAISE(ABORT, 'events are numbered without gaps'); END;
CREATE TRIGGER events_after_sign BEFORE INSERT ON events
WHEN NEW.kind NOT IN ('call', 'remark') AND (SELECT signed FROM exams WHERE id = NEW.exam) IS NOT NULL
BEGIN SELECT RAISE(ABORT, 'the exam is signed'); END;

CREATE TRIGGER exams_never_go BEFORE DELETE ON exams
BEGIN SELECT RAISE(ABORT, 'exams are never deleted'); END;
CREATE TRIGGER exams_keep_origin BEFORE UPDATE OF id, patient, kind, earlier, created ON exams
BEGIN SELECT RAISE(ABORT, 'the origin of an exam is never changed'); END;
CREATE TRIGGER exams_stay_signed BEFORE UPDATE OF signed, signed_by ON exams
WHEN OLD.signed IS NOT NULL
BEGIN SELECT RAISE(ABORT, 'the exam is signed'); END;

CREATE TABLE settings (
	scope TEXT NOT NULL,               -- empty: the practice; else the id of an examiner
	key   TEXT NOT NULL,
	value TEXT NOT NULL,
	PRIMARY KEY (scope, key)
) STRICT, WITHOUT ROWID;

CREATE TABLE clips (
	exam    TEXT NOT NULL REFERENCES exams,
	call    INTEGER NOT NULL,          -- seq of the call's first event
	created INTEGER NOT NULL,
	wav     BLOB NOT NULL,
	PRIMARY KEY (exam, call)
) STRICT;
`, `
-- Plans may follow the signature; what is due stands in them and nowhere else.
DROP TRIGGER events_after_sign;
CREATE TRIGGER events_after_sign BEFORE INSERT ON events
WHEN NEW.kind NOT IN ('call', 'remark', 'plan') AND (SELECT signed FROM exams WHERE id = NEW.exam) IS NOT NULL
BEGIN SELECT RAISE(ABORT, 'the exam is signed'); END;
CREATE INDEX events_of_plans ON events (exam, seq) WHERE kind IN ('plan', 'undo');
ALTER TABLE patients DROP COLUMN due;
`, `
CREATE TABLE voices (
	examiner TEXT PRIMARY KEY REFERENCES examiners,
	created  INTEGER NOT NULL,
	engine   TEXT NOT NULL,            -- name of the engine and model that made it
	report   TEXT NOT NULL,            -- what the enrolment came to, JSON
	profile  BLOB NOT NULL             -- personal data: erased for good, see EraseVoice
) STRICT;
`, `
-- How far the sound of a microphone is decided: written in the transaction of the events that the sound led to.
CREATE TABLE sound (
	exam    TEXT NOT NULL REFERENCES exams,
	stream  TEXT NOT NULL CHECK (stream <> ''),
	samples INTEGER NOT NULL CHECK (samples >= 0),
	PRIMARY KEY (exam, stream)
) STRICT, WITHOUT ROWID;
CREATE TRIGGER sound_only_forward BEFORE UPDATE ON sound
WHEN NEW.samples < OLD.samples OR NEW.exam <> OLD.exam OR NEW.stream <> OLD.stream
BEGIN SELECT RAISE(ABORT, 'sound that was decided stays decided'); END;
CREATE TRIGGER sound_never_goes BEFORE DELETE ON sound
BEGIN SELECT RAISE(ABORT, 'sound that was decided stays decided'); END;
`}

// version reads the file's schema version and refuses files that are not ours or are too new.
func version(ctx context.Context, db *sql.DB, path string, newest int) (int, error) {
	var id, v, tables int
	err := db.QueryRowContext(ctx, `SELECT (SELECT application_id FROM pragma_application_id),
		(SELECT user_version FROM pragma_user_version), (SELECT count(*) FROM sqlite_schema)`).Scan(&id, &v, &tables)
	if err != nil {
		return 0, wrap("read the data file", path, err)
	}
	if id != appID && (id != 0 || tables > 0) {
		return 0, &Error{Op: "read the data file", Path: path, Err: fmt.Errorf("this SQLite file was not made by leadsman: %w", ErrInvalid),
			Hint: "name another folder or file"}
	}
	if v > newest {
		return 0, &Error{Op: "read the data file", Path: path, Err: ErrNewer,
			Hint: fmt.Sprintf("its version is %d, this program knows up to %d: install the newer program; the file was not touched", v, newest)}
	}
	return v, nil
}

// migrate brings the file to the newest version, one transaction a step. Before an existing file is
// changed a copy of it is kept beside it.
func (s *Store) migrate(ctx context.Context, steps []string) error {
	v, err := version(ctx, s.w, s.path, len(steps))
	if err != nil || v == len(steps) {
		return err
	}
	if v > 0 {
		keep := fmt.Sprintf("%s.before-version-%d", s.path, len(steps))
		if _, err := os.Stat(keep); os.IsNotExist(err) {
			if err := s.copyTo(ctx, keep, func(string) error { return nil }); err != nil {
				return fmt.Errorf("copy the data file before bringing it up to date: %w", err)
			}
		}
	}
	for ; v < len(steps); v++ {
		tx, err := s.w.BeginTx(ctx, nil)
		if err != nil {
			return s.fail("bring the data file up to date", err)
		}
		// The pragmas are part of the transaction: the version changes together with the tables.
		_, err = tx.ExecContext(ctx, steps[v]+fmt.Sprintf("; PRAGMA user_version = %d; PRAGMA application_id = %d;", v+1, appID))
		if err == nil {
			err = tx.Commit()
		}
		if err != nil {
			tx.Rollback()
			return s.fail(fmt.Sprintf("bring the data file to version %d", v+1), err)
		}
	}
	return nil
}
