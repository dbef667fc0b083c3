package store

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
)

// appID marks the file as one of ours (PRAGMA application_id): "Lead" in ASCII.
const appID = 0x4c656164

// step is a step of the schema. A new one has tables and rules for both databases; those of PostgreSQL begin with the seventh.
type step struct {
	both     string // tables and indexes, in the words of SQLite: see inPostgres
	rules    []rule
	sqlite   string // what SQLite alone gets, after that
	postgres string // what PostgreSQL alone gets
}

func (s step) forSQLite() string {
	q := s.both
	for _, r := range s.rules {
		q += r.forSQLite()
	}
	return q + s.sqlite
}

func (s step) forPostgres() string {
	return inPostgres.Replace(s.both) + postgresRules(s.rules...) + s.postgres
}

// inPostgres says tables to PostgreSQL: texts compare by their bytes there too, and numbers have 64 bits.
var inPostgres = strings.NewReplacer("INTEGER", "BIGINT", "BLOB", "BYTEA", "TEXT", `TEXT COLLATE "C"`, "x''", "''", ") STRICT, WITHOUT ROWID;", ");", ") STRICT;", ");")

// schema holds the steps that bring a file from version i to i+1. A released step is never edited:
// changes are new steps at the end. The version is kept in the file (PRAGMA user_version), or in the table leadsman.
var schema = []step{{sqlite: `
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
`}, {sqlite: `
-- Plans may follow the signature; what is due stands in them and nowhere else.
DROP TRIGGER events_after_sign;
CREATE TRIGGER events_after_sign BEFORE INSERT ON events
WHEN NEW.kind NOT IN ('call', 'remark', 'plan') AND (SELECT signed FROM exams WHERE id = NEW.exam) IS NOT NULL
BEGIN SELECT RAISE(ABORT, 'the exam is signed'); END;
CREATE INDEX events_of_plans ON events (exam, seq) WHERE kind IN ('plan', 'undo');
ALTER TABLE patients DROP COLUMN due;
`}, {sqlite: `
CREATE TABLE voices (
	examiner TEXT PRIMARY KEY REFERENCES examiners,
	created  INTEGER NOT NULL,
	engine   TEXT NOT NULL,            -- name of the engine and model that made it
	report   TEXT NOT NULL,            -- what the enrolment came to, JSON
	profile  BLOB NOT NULL             -- personal data: erased for good, see EraseVoice
) STRICT;
`}, {sqlite: `
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
`}, {sqlite: `
-- The journal: who changed or read what. Each entry is chained to the one before it with a key that is not in this file.
CREATE TABLE journal (
	n       INTEGER PRIMARY KEY CHECK (n > 0),
	time    INTEGER NOT NULL,
	who     TEXT NOT NULL,             -- id of an account; empty: the tool, or nobody had signed in
	what    TEXT NOT NULL,
	tbl     TEXT NOT NULL,             -- the row that was changed; empty: none
	key     TEXT NOT NULL,
	patient TEXT NOT NULL,             -- whom it concerns, or empty
	digest  BLOB,                      -- keyed hash of the row after the change; NULL: it is gone
	detail  BLOB,                      -- sealed; NULL: none, or erased with the patient's data
	sum     BLOB,                      -- keyed hash of detail
	mac     BLOB NOT NULL              -- keyed hash over the mac before and the entry, detail by its sum
) STRICT;
CREATE INDEX journal_by_patient ON journal (patient, n) WHERE patient <> '';
CREATE TRIGGER journal_never_changes BEFORE UPDATE ON journal
WHEN NEW.detail IS NOT NULL OR NEW.n <> OLD.n OR NEW.time <> OLD.time OR NEW.who <> OLD.who OR NEW.what <> OLD.what OR NEW.tbl <> OLD.tbl
	OR NEW.key <> OLD.key OR NEW.patient <> OLD.patient OR NEW.digest IS NOT OLD.digest OR NEW.sum IS NOT OLD.sum OR NEW.mac <> OLD.mac
BEGIN SELECT RAISE(ABORT, 'the journal is never changed'); END;
CREATE TRIGGER journal_never_goes BEFORE DELETE ON journal
BEGIN SELECT RAISE(ABORT, 'the journal is never deleted'); END;
CREATE TRIGGER journal_in_order BEFORE INSERT ON journal
WHEN NEW.n <> (SELECT COALESCE(MAX(n), 0) + 1 FROM journal)
BEGIN SELECT RAISE(ABORT, 'the journal is numbered without gaps'); END;
CREATE TABLE secret (
	one INTEGER PRIMARY KEY CHECK (one = 1),
	id  TEXT NOT NULL                  -- tells which key these data are kept with
) STRICT;
`}, {sqlite: `
-- What tells something of a patient is sealed: encrypted with the key, for its place alone (see sealing.go, which has the functions).
ALTER TABLE patients ADD COLUMN sealed BLOB NOT NULL DEFAULT x''; -- name, born, number, note as JSON
UPDATE patients SET sealed = seal('patients/' || id, CAST(json_object('name', name, 'born', born, 'number', number, 'note',
	notes || iif(contact = '', '', iif(notes = '', '', char(10)) || contact)) AS BLOB));
ALTER TABLE patients DROP COLUMN name;
ALTER TABLE patients DROP COLUMN born;
ALTER TABLE patients DROP COLUMN number;
ALTER TABLE patients DROP COLUMN contact;
ALTER TABLE patients DROP COLUMN notes;
ALTER TABLE patients DROP COLUMN search;

DROP TRIGGER events_never_change;
UPDATE events SET body = seal_event(exam, seq, COALESCE((SELECT p.hash FROM events p WHERE p.exam = events.exam AND p.seq = events.seq - 1), x''), body, hash);
ALTER TABLE events DROP COLUMN hash;
CREATE TRIGGER events_never_change BEFORE UPDATE ON events
BEGIN SELECT RAISE(ABORT, 'events are never changed'); END;

UPDATE exams SET head = seal('head/' || id, head);
UPDATE clips SET wav = seal('clips/' || exam || '/' || call, wav);
UPDATE voices SET profile = seal('voices/' || examiner, profile);
ALTER TABLE sound ADD COLUMN mac BLOB NOT NULL DEFAULT x'';
UPDATE sound SET mac = sound_mac(exam, stream, samples);
`}, {sqlite: `
-- Who works here: accounts of the people in examiners. Without a row somebody is a clinician, as all were before.
CREATE TABLE accounts (
	person   TEXT PRIMARY KEY REFERENCES examiners,
	roles    TEXT NOT NULL,            -- separated by spaces
	password TEXT NOT NULL,            -- argon2id as a PHC string; empty: none
	code     BLOB UNIQUE               -- keyed hash of the short code; NULL: none
) STRICT;
CREATE TABLE sessions (
	token  BLOB PRIMARY KEY,           -- SHA-256 of what the browser has
	person TEXT NOT NULL REFERENCES examiners,
	sure   INTEGER NOT NULL CHECK (sure IN (0, 1)),
	began  INTEGER NOT NULL,
	used   INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

-- What the log of an exam says of it as a whole, for lists.
CREATE TABLE standing (
	exam  TEXT PRIMARY KEY REFERENCES exams,
	void  INTEGER NOT NULL CHECK (void IN (0, 1)),  -- it counts no more
	waits INTEGER NOT NULL CHECK (waits IN (0, 1))  -- for a co-signature
) STRICT;
-- Patients who turned out to be one.
CREATE TABLE merged (
	patient TEXT PRIMARY KEY REFERENCES patients,
	whole   TEXT NOT NULL REFERENCES patients CHECK (whole <> patient), -- under whom all is kept
	who     TEXT NOT NULL,
	time    INTEGER NOT NULL           -- the journal has the reason
) STRICT;

DROP TRIGGER events_after_sign;
CREATE TRIGGER events_after_sign BEFORE INSERT ON events
WHEN NEW.kind NOT IN ('call', 'remark', 'plan', 'cosign', 'amend', 'void', 'owner') AND (SELECT signed FROM exams WHERE id = NEW.exam) IS NOT NULL
	AND NOT (NEW.kind IN ('set', 'tooth', 'patient', 'settle') AND EXISTS (SELECT 1 FROM events WHERE exam = NEW.exam AND call = NEW.call AND kind = 'amend'))
BEGIN SELECT RAISE(ABORT, 'the exam is signed'); END;
DROP TRIGGER exams_keep_origin;
CREATE TRIGGER exams_keep_origin BEFORE UPDATE OF id, kind, earlier, created ON exams
BEGIN SELECT RAISE(ABORT, 'the origin of an exam is never changed'); END;
CREATE TRIGGER exams_move_by_event BEFORE UPDATE OF patient ON exams
WHEN NEW.patient <> OLD.patient AND NOT EXISTS (SELECT 1 FROM events WHERE exam = OLD.id AND seq = NEW.events AND kind = 'owner')
BEGIN SELECT RAISE(ABORT, 'an exam moves by an event'); END;
`, postgres: postgresBase}, {both: `
-- The newest exam of each patient that counts, and when the patient is to come again by the plan of it (see due.go).
CREATE TABLE due (
	patient        TEXT NOT NULL REFERENCES patients,
	what           TEXT NOT NULL CHECK (what IN ('', 'recall', 're-evaluation')), -- empty: nothing was decided
	exam           TEXT NOT NULL REFERENCES exams,
	began          INTEGER NOT NULL,
	day            TEXT NOT NULL CHECK ((day = '') = (what = '')), -- YYYY-MM-DD
	undecided      INTEGER NOT NULL CHECK (undecided IN (0, 1)),   -- 1: no day; they come last
	months         INTEGER NOT NULL,
	who            TEXT NOT NULL,         -- decided it, by the call with this number at this time
	decided        INTEGER NOT NULL,
	call           INTEGER NOT NULL,
	contacted_call INTEGER NOT NULL,      -- the patient was asked to come; 0: not yet
	contacted      INTEGER NOT NULL,
	contacted_who  TEXT NOT NULL,
	PRIMARY KEY (patient, what)
) STRICT, WITHOUT ROWID;
DROP INDEX events_of_plans;
CREATE INDEX events_of_due ON events (exam, seq) WHERE kind IN ('plan', 'undo', 'remark');
CREATE INDEX due_by_day ON due (undecided, day, began, patient, what);
CREATE INDEX standing_waits ON standing (exam) WHERE waits = 1;
CREATE INDEX exams_signed ON exams (patient, created) WHERE signed IS NOT NULL;
`}, {both: `
-- Programs of others that are let in by a key, and where they are told what became of exams.
CREATE TABLE programs (
	id        TEXT PRIMARY KEY,
	name      TEXT NOT NULL,
	scopes    TEXT NOT NULL,           -- separated by spaces
	hash      BLOB NOT NULL,           -- keyed hash of the key
	made      INTEGER NOT NULL,
	made_by   TEXT NOT NULL,           -- id of an account; empty: at the command line
	ends      TEXT NOT NULL,           -- last day, YYYY-MM-DD; empty: no end
	used      TEXT NOT NULL,           -- last day of use, likewise; empty: never
	withdrawn INTEGER                  -- NULL: in force
) STRICT;
CREATE TABLE hooks (
	id      TEXT PRIMARY KEY,
	sealed  BLOB NOT NULL,             -- address and secret as JSON
	events  TEXT NOT NULL,             -- what is told, separated by spaces
	details INTEGER NOT NULL CHECK (details IN (0, 1)), -- names, file numbers and dates go along
	made    INTEGER NOT NULL,
	made_by TEXT NOT NULL
) STRICT;
-- What is still to be told, written in the transaction of the event, and what was told lately. Letters come and go and are not records.
CREATE TABLE outbox (
	n       INTEGER PRIMARY KEY,       -- counted up
	id      TEXT NOT NULL UNIQUE,      -- what a receiver knows a letter by that comes twice
	hook    TEXT NOT NULL REFERENCES hooks,
	what    TEXT NOT NULL,
	exam    TEXT NOT NULL,
	patient TEXT NOT NULL,
	seq     INTEGER NOT NULL,          -- number of the event in the log of the exam
	time    INTEGER NOT NULL,
	tries   INTEGER NOT NULL,
	next    INTEGER,                   -- when it is tried; NULL: sent, or given up
	sent    INTEGER,                   -- NULL: not yet
	fault   TEXT NOT NULL              -- of the last try
) STRICT;
CREATE INDEX outbox_next ON outbox (next) WHERE next IS NOT NULL;
CREATE INDEX outbox_by_patient ON outbox (patient);
`}, {both: `
-- Sessions are proven with the key; those of before end.
DROP TABLE sessions;
CREATE TABLE sessions (
	token  BLOB PRIMARY KEY,           -- SHA-256 of what the browser has
	person TEXT NOT NULL REFERENCES examiners,
	sure   INTEGER NOT NULL CHECK (sure IN (0, 1)),
	began  INTEGER NOT NULL,
	used   INTEGER NOT NULL,
	mac    BLOB NOT NULL               -- keyed hash over the others
) STRICT, WITHOUT ROWID;
CREATE TABLE passkeys (
	id     TEXT PRIMARY KEY,           -- of the credential, base64url
	person TEXT NOT NULL REFERENCES examiners,
	sealed BLOB NOT NULL               -- what is known of it, as JSON
) STRICT;
CREATE INDEX passkeys_of ON passkeys (person);
-- Wrong passwords and codes, and where somebody signed in before.
CREATE TABLE tries (
	what  BLOB PRIMARY KEY,            -- keyed hash of whose and from where
	times INTEGER NOT NULL,            -- wrong ones in a row
	until INTEGER NOT NULL,            -- refused, or known, until then
	last  INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
`}}

// fill has what fills a new table of a version from what was there before, where SQL alone cannot.
var fill = map[int]func(ctx context.Context, t *tx) error{withDue: func(ctx context.Context, t *tx) error {
	ids, err := gather(ctx, t, text, "SELECT DISTINCT patient FROM exams")
	for _, id := range ids {
		err = errors.Join(err, t.dueAgain(ctx, id))
	}
	return err
}}

// withDue is the first version that keeps a list of who is due.
const withDue = 8

// withJournal is the first version that has a journal.
const withJournal = 5

// version reads the file's schema version and refuses files that are not ours or are too new.
func version(ctx context.Context, db querier, path string, newest int) (int, error) {
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

// migrate brings the data to the newest version in one transaction. Before an existing file is changed a copy of it is kept beside it.
func (s *Store) migrate(ctx context.Context, v int, steps []step) error {
	const op = "bring the data up to date"
	if v == len(steps) {
		return nil
	}
	err := s.write(ctx, op, func(t *tx) error {
		// What was not as the journal says before is not made good by new columns.
		bad := map[[2]string]bool{}
		if v >= withJournal {
			if err := s.rowsDiffer(ctx, t, func(table, key, _ string, _ []byte) error { bad[[2]string{table, key}] = true; return nil }); err != nil {
				return err
			}
		}
		for i := v; i < len(steps); i++ {
			if err := s.step(ctx, t, steps[i], i+1); err != nil {
				return fmt.Errorf("version %d: %w", i+1, err)
			}
			if f := fill[i+1]; f != nil {
				if err := f(ctx, t); err != nil {
					return fmt.Errorf("version %d: %w", i+1, err)
				}
			}
		}
		if len(steps) < withJournal {
			return nil
		}
		if v < withJournal {
			if _, err := t.ExecContext(ctx, "INSERT INTO secret (one, id) VALUES (1, ?)", s.keys.id); err != nil {
				return err
			}
		}
		if err := t.enter(ctx, Entry{What: "store.opened", Detail: fmt.Sprintf("version %d after version %d", len(steps), v)}, nil); err != nil {
			return err
		}
		return s.rowsDiffer(ctx, t, func(table, key, _ string, digest []byte) error {
			if bad[[2]string{table, key}] {
				return nil
			}
			return t.enter(ctx, Entry{What: "store.taken-over", Table: table, Key: key}, digest)
		})
	})
	if err != nil || v == 0 {
		return err
	}
	// What stood there in clear is overwritten now, not some day.
	if err := s.dialect.wipe(ctx, s, op); err != nil && !errors.As(err, new(*Error)) {
		return err // a reader in the way keeps nobody from working
	}
	return nil
}

// prepareFile keeps a copy of a file that is brought up to date, and readies the connection for it.
func (s *Store) prepareFile(ctx context.Context, v int, steps []step) error {
	if v == len(steps) {
		return nil
	}
	if v > 0 {
		keep := fmt.Sprintf("%s.before-version-%d.age", s.path, len(steps))
		if _, err := os.Stat(keep); os.IsNotExist(err) {
			if err := s.encryptedTo(ctx, keep, func(string) error { return nil }, s.keys.copyRecipient()); err != nil {
				return fmt.Errorf("copy the data file before bringing it up to date: %w", err)
			}
		}
	}
	if err := s.hideCopies(); err != nil {
		return err
	}
	return s.fail("bring the data file up to date", s.sealingFunctions(ctx))
}
