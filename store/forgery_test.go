package store

import (
	"bytes"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"leadsman/chart"
	"leadsman/practice"
)

// aPractice fills a store with something of everything.
func aPractice(t testing.TB, dir string) {
	t.Helper()
	s, err := Open(ctx, dir, clock(), at(dir)...)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	for _, p := range []Patient{{ID: "mira", Name: "Mira Holt", Born: "1971-03-28", Number: "A-17"}, {ID: "nell", Name: "Nell Ashby", Note: "prefers mornings"}} {
		_, err := s.AddPatient(ctx, p)
		must(err)
	}
	mira, err := s.Patient(ctx, "mira")
	must(err)
	mira.Number = "A-18"
	_, err = s.UpdatePatient(ctx, mira)
	must(err)
	for _, x := range []Exam{{ID: "signed", Patient: "mira"}, {ID: "open", Patient: "mira"}, {ID: "other", Patient: "nell"}} {
		_, err := s.NewExam(ctx, x)
		must(err)
		evs := play(t, s, x.ID, 4)
		must(s.Log(x.ID).AppendHeard(ctx, chart.Heard{Stream: "a", Samples: 4800}))
		n := uint64(len(evs))
		must(s.AddClip(ctx, x.ID, evs[n-1].Call, []byte("RIFF....WAVE the sound of exam "+x.ID)))
		if x.ID == "signed" {
			must(s.Log(x.ID).Append(ctx, chart.Event{Seq: n + 1, Call: n + 1, Kind: chart.KindCall, Did: chart.VerbSign, Who: "Ada Quill"},
				chart.Event{Seq: n + 2, Call: n + 1, Kind: chart.KindSign, Who: "Ada Quill", Time: 1772442000000}))
		}
	}
	ada, err := s.PutPerson(ctx, Person{Roles: practice.Roles(), Name: "Ada Quill"})
	must(err)
	must(s.PutPasskey(ctx, practice.Passkey{ID: "key1", Person: ada.ID, Name: "phone", Host: "localhost"}))
	_, err = s.PutVoice(ctx, Voice{Examiner: ada.ID, Engine: "e", Report: "{}", Profile: bytes.Repeat([]byte("voice "), 900)})
	must(err)
	must(s.SetSettings(ctx, "", map[string]string{"practice": "Quill Dental", "keep_clips": "yes"}))
	must(s.Note(ctx, "patient.read", "mira", "the chart"))
	if rep, err := s.Verify(ctx); err != nil || rep.Err() != nil {
		t.Fatal(rep, err)
	}
}

// verifyDir checks a folder as leadsman verify does: from outside, without opening it for writing.
func verifyDir(dir string) error {
	s, err := OpenReadOnly(ctx, dir, at(dir)...)
	if err != nil {
		return err
	}
	defer s.Close()
	rep, err := s.Verify(ctx)
	return errors.Join(err, rep.Err())
}

// copyData copies a data folder with its key.
func copyData(t testing.TB, dir string) string {
	t.Helper()
	to := filepath.Join(t.TempDir(), "data")
	if err := os.CopyFS(to, os.DirFS(dir)); err != nil {
		t.Fatal(err)
	}
	keyFor(t, dir, to)
	return to
}

// Somebody who can write the file and knows this program, but has not the key, puts the triggers back and makes every count and
// every reference right. Each forgery is found, and named.
func TestForgeriesAreFound(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "data")
	aPractice(t, dir)
	if err := verifyDir(dir); err != nil {
		t.Fatal(err)
	}
	forged, _ := newKeyring(bytes.Repeat([]byte{7}, secretSize))
	hexOf := func(b []byte) string { return "x'" + hex.EncodeToString(b) + "'" }
	cut := "(SELECT COUNT(*) FROM events e WHERE e.exam = exams.id)"
	for name, c := range map[string]struct {
		stmts []string
		want  string
	}{
		"a signature is forged":           {[]string{"UPDATE exams SET signed = 1772442000000, signed_by = 'Dr. Not Me' WHERE id = 'open'"}, "exam open was changed"},
		"a signature names another":       {[]string{"UPDATE exams SET signed_by = 'Ben Rowe' WHERE id = 'signed'"}, "exam signed was changed"},
		"a signature is taken away":       {[]string{"UPDATE exams SET signed = NULL, signed_by = '', events = events - 2 WHERE id = 'signed'", "DELETE FROM events WHERE exam = 'signed' AND kind = 'sign'"}, "exam signed was changed"},
		"a patient is renamed":            {[]string{"UPDATE patients SET sealed = " + hexOf(forged.sealPatient(Patient{ID: "mira", Name: "Mira Hold"})) + " WHERE id = 'mira'"}, "patient mira was changed"},
		"a patient gets another's name":   {[]string{"UPDATE patients SET sealed = (SELECT sealed FROM patients WHERE id = 'nell') WHERE id = 'mira'"}, "patient mira was changed"},
		"a patient is added":              {[]string{"INSERT INTO patients VALUES ('eve', 1, 1, 1, " + hexOf(forged.sealPatient(Patient{ID: "eve", Name: "Eve"})) + ")"}, "patient eve was put there"},
		"an exam is moved":                {[]string{"UPDATE exams SET patient = 'nell' WHERE id = 'open'"}, "exam open was changed"},
		"an exam is deleted":              {[]string{"DELETE FROM clips WHERE exam = 'open'", "DELETE FROM sound WHERE exam = 'open'", "DELETE FROM events WHERE exam = 'open'", "DELETE FROM exams WHERE id = 'open'"}, "exam open was deleted"},
		"a patient is deleted":            {[]string{"PRAGMA foreign_keys = OFF", "DELETE FROM clips WHERE exam = 'other'", "DELETE FROM sound WHERE exam = 'other'", "DELETE FROM events WHERE exam = 'other'", "DELETE FROM exams WHERE id = 'other'", "DELETE FROM patients WHERE id = 'nell'"}, "patient nell was deleted"},
		"a log is cut, counts repaired":   {[]string{"DELETE FROM events WHERE exam = 'open' AND seq > 12", "UPDATE exams SET events = " + cut}, "exam open was changed"},
		"a log is cut, journal as well":   {[]string{"DELETE FROM events WHERE exam = 'open' AND seq > 12", "UPDATE exams SET events = " + cut, "DELETE FROM journal WHERE key = 'open' AND n > (SELECT MIN(n) + 1 FROM journal WHERE key = 'open')", "UPDATE journal SET n = n + 1000", "UPDATE journal SET n = (SELECT COUNT(*) FROM journal j WHERE j.n <= journal.n)"}, "journal"},
		"the journal's end is cut":        {[]string{"DELETE FROM journal WHERE n > 20"}, "the last "},
		"the journal is emptied":          {[]string{"DELETE FROM journal"}, "the journal ends at entry 0"},
		"a look is made undone":           {[]string{"UPDATE journal SET what = 'store.opened' WHERE what = 'patient.read'"}, "journal: entry"},
		"a look is somebody else's":       {[]string{"UPDATE journal SET who = 'ben' WHERE what = 'patient.read'"}, "journal: entry"},
		"an event is rewritten":           {[]string{"UPDATE events SET body = " + hexOf(forged.sealEvent("open", 6, []byte(`{"seq":6,"call":4,"time":2,"kind":"set"}`))) + " WHERE exam = 'open' AND seq = 6"}, "exam open is damaged at event 6"},
		"an event is moved between exams": {[]string{"UPDATE events SET body = (SELECT body FROM events WHERE exam = 'other' AND seq = 6) WHERE exam = 'open' AND seq = 6"}, "exam open is damaged at event 6"},
		"a clip is exchanged":             {[]string{"UPDATE clips SET wav = (SELECT wav FROM clips WHERE exam = 'other') WHERE exam = 'open'"}, "sound clip open/"},
		"a clip is deleted":               {[]string{"DELETE FROM clips WHERE exam = 'open'"}, "sound clip open/"},
		"a setting is changed":            {[]string{"UPDATE settings SET value = 'Not Quill' WHERE key = 'practice'"}, "setting /practice was changed"},
		"an examiner is renamed":          {[]string{"UPDATE examiners SET name = 'Somebody'"}, "examiner "},
		"a passkey is added":              {[]string{"INSERT INTO passkeys SELECT 'key2', person, sealed FROM passkeys"}, "passkey key2 was put there"},
		"a passkey is somebody else's":    {[]string{"INSERT INTO examiners VALUES ('eve', 'Eve', 0)", "UPDATE passkeys SET person = 'eve'"}, "passkey key1 was changed"},
		"a password is exchanged":         {[]string{"UPDATE accounts SET password = '$argon2id$v=19$m=8,t=1,p=1$YQ$YQ'"}, "account "},
		"a role is given":                 {[]string{"UPDATE accounts SET roles = 'viewer administrator'"}, "account "},
		"an exam is made to count again":  {[]string{"INSERT INTO standing VALUES ('open', 1, 0)"}, "standing of exam open was put there"},
		"two patients are made one":       {[]string{"INSERT INTO merged VALUES ('nell', 'mira', '', 1)"}, "nell was put there"},
		"a position of sound":             {[]string{"UPDATE sound SET samples = 9600 WHERE exam = 'open'"}, "exam open: how far its sound"},
		"a trigger is gone":               {[]string{"CREATE TABLE aside (x)"}, "tables: not as"},
	} {
		t.Run(name, func(t *testing.T) {
			sub := copyData(t, dir)
			tamper(t, sub, c.stmts...)
			err := verifyDir(sub)
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("found %v, want %q", err, c.want)
			}
		})
	}
}

// The whole chain is recomputed after an edit: with another key it does not hold; somebody who has stolen the key as well can be told
// by an anchor that was sent away before, and by nothing else.
func TestChainRecomputed(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "data")
	aPractice(t, dir)
	s, err := OpenReadOnly(ctx, dir, at(dir)...)
	if err != nil {
		t.Fatal(err)
	}
	anchor, err := s.Anchor(ctx)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.holds(ctx, anchor); err != nil {
		t.Errorf("an anchor of now: %v", err)
	}
	s.Close()
	if again, err := ParseAnchor(anchor.String()); err != nil || again.N != anchor.N || again.Head != anchor.Head {
		t.Errorf("%+v, %v", again, err)
	}
	stolen, err := readKey(keySource{path: KeyFile(dir)})
	if err != nil {
		t.Fatal(err)
	}
	other, _ := newKeyring(bytes.Repeat([]byte{7}, secretSize))
	for name, c := range map[string]struct {
		keys  *keyring
		found bool
	}{"without the key": {other, true}, "with the stolen key": {stolen, false}} {
		t.Run(name, func(t *testing.T) {
			sub := copyData(t, dir)
			tamper(t, sub, "UPDATE exams SET signed_by = 'Ben Rowe' WHERE id = 'signed'")
			forgeJournal(t, sub, c.keys)
			if err := verifyDir(sub); (err != nil) != c.found {
				t.Errorf("verify: %v", err)
			}
			s, err := OpenReadOnly(ctx, sub, at(sub)...)
			if err != nil {
				t.Fatal(err)
			}
			defer s.Close()
			if err := s.holds(ctx, anchor); !errors.Is(err, ErrDamaged) || !strings.Contains(err.Error(), "rewritten") {
				t.Errorf("the anchor: %v", err)
			}
		})
	}
	// Put back to an older state as a whole, with its witness: again the anchor tells, and nothing else.
	old := copyData(t, dir)
	w := openT(t, dir)
	newExam(t, w)
	if anchor, err = w.Anchor(ctx); err != nil {
		t.Fatal(err)
	}
	w.Close()
	if err := verifyDir(old); err != nil {
		t.Errorf("an older state with its witness: %v", err)
	}
	s, err = OpenReadOnly(ctx, old, at(old)...)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if err := s.holds(ctx, anchor); !errors.Is(err, ErrDamaged) {
		t.Errorf("the anchor: %v", err)
	}
	for _, bad := range []string{"", "leadsman-anchor", anchor.String()[:60], "leadsman-anchor 2026-03-02T18:00:00Z 0 " + anchor.Head, "anchor " + anchor.String()} {
		if _, err := ParseAnchor(bad); !errors.Is(err, ErrInvalid) {
			t.Errorf("%q: %v", bad, err)
		}
	}
}

// forgeJournal writes digests, chain and witness anew with a key.
func forgeJournal(t *testing.T, dir string, k *keyring) {
	t.Helper()
	db, err := sql.Open("sqlite3", filepath.Join(dir, fileName))
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	db.SetMaxOpenConns(1)
	var sqlText string
	if err := db.QueryRow("SELECT sql FROM sqlite_schema WHERE name = 'journal_never_changes'").Scan(&sqlText); err != nil {
		t.Fatal(err)
	}
	exec := func(q string, args ...any) {
		t.Helper()
		if _, err := db.Exec(q, args...); err != nil {
			t.Fatal(err)
		}
	}
	exec("DROP TRIGGER journal_never_changes")
	if err := (&Store{dialect: sqlite{}, keys: k}).rowsDiffer(ctx, db, func(table, key, _ string, digest []byte) error {
		exec("UPDATE journal SET digest = ? WHERE n = (SELECT MAX(n) FROM journal WHERE tbl = ? AND key = ?)", digest, table, key)
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	ls, err := gather(ctx, db, scanLink, "SELECT "+linkCols+" FROM journal ORDER BY n")
	if err != nil {
		t.Fatal(err)
	}
	var end head
	for _, l := range ls {
		if l.detail != nil {
			l.sum = mac(k.chain, l.detail)
		}
		end = head{l.N, k.entry(end.mac, l.Entry, l.time, l.digest, l.sum)}
		exec("UPDATE journal SET mac = ?, sum = ? WHERE n = ?", end.mac, l.sum, l.N)
	}
	exec(sqlText)
	if err := os.WriteFile(filepath.Join(dir, witnessName), k.witnessLine(end), 0o600); err != nil {
		t.Fatal(err)
	}
}

// Confirmed calls that were in the write-ahead log alone: without it the file is a whole store of an earlier moment. An empty file in
// the place of the store, and no file at all.
func TestLostChangesAreFound(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "data")
	aPractice(t, dir)
	s := openT(t, dir)
	x := newExam(t, s)
	play(t, s, x.ID, 6)
	killed := copyData(t, dir) // as a process that was killed leaves it
	s.Close()
	if err := verifyDir(copyData(t, killed)); err != nil { // closing the copy writes its log back
		t.Fatal(err)
	}

	t.Run("WAL deleted", func(t *testing.T) {
		sub := copyData(t, killed)
		for _, f := range []string{"-wal", "-shm"} {
			os.Remove(filepath.Join(sub, fileName+f))
		}
		if err := verifyDir(sub); err == nil || !strings.Contains(err.Error(), "the last ") {
			t.Errorf("verify: %v", err)
		}
		// The work goes on, the loss stays in sight until somebody answers for it.
		s := openT(t, sub)
		if !strings.Contains(s.Lost(), "confirmed") {
			t.Errorf("lost: %q", s.Lost())
		}
		newExam(t, s)
		s.Close()
		s = openT(t, sub)
		if s.Lost() != "" {
			t.Errorf("lost a second time: %q", s.Lost())
		}
		rep, err := s.Verify(ctx)
		if err != nil || len(rep.Problems) != 1 || !strings.Contains(rep.Err().Error(), "changes had been lost") {
			t.Errorf("%+v, %v", rep, err)
		}
		if _, err := s.Accept(ctx, ""); !errors.Is(err, ErrInvalid) {
			t.Error(err)
		}
		if n, err := s.Accept(ctx, "the disk was exchanged"); err != nil || n != 0 {
			t.Error(n, err)
		}
		if rep, err := s.Verify(ctx); err != nil || rep.Err() != nil || !strings.Contains(strings.Join(rep.Notes, "\n"), "the disk was exchanged") {
			t.Errorf("%+v, %v", rep, err)
		}
	})
	t.Run("WAL cut", func(t *testing.T) {
		sub := copyData(t, killed)
		wal := filepath.Join(sub, fileName+"-wal")
		b, err := os.ReadFile(wal)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(wal, b[:len(b)/2], 0o600); err != nil {
			t.Fatal(err)
		}
		if err := verifyDir(sub); err == nil || !strings.Contains(err.Error(), "the last ") {
			t.Errorf("verify: %v", err)
		}
	})
	t.Run("witness deleted", func(t *testing.T) {
		sub := copyData(t, dir)
		os.Remove(filepath.Join(sub, witnessName))
		if err := verifyDir(sub); err == nil || !strings.Contains(err.Error(), witnessName+" is missing") {
			t.Errorf("verify: %v", err)
		}
	})
	t.Run("witness forged", func(t *testing.T) {
		sub := copyData(t, dir)
		forged, _ := newKeyring(bytes.Repeat([]byte{7}, secretSize))
		os.WriteFile(filepath.Join(sub, witnessName), forged.witnessLine(head{3, bytes.Repeat([]byte{1}, sha256.Size)}), 0o600)
		if err := verifyDir(sub); err == nil || !strings.Contains(err.Error(), "made with another key") {
			t.Errorf("verify: %v", err)
		}
	})
	for name, spoil := range map[string]func(path string) error{
		"empty file": func(path string) error { return os.WriteFile(path, nil, 0o600) },
		"no file":    os.Remove,
	} {
		t.Run(name, func(t *testing.T) {
			sub := copyData(t, dir)
			if err := spoil(filepath.Join(sub, fileName)); err != nil {
				t.Fatal(err)
			}
			for _, f := range []string{"-wal", "-shm"} {
				os.Remove(filepath.Join(sub, fileName+f))
			}
			if err := verifyDir(sub); !errors.Is(err, ErrDamaged) || !strings.Contains(err.Error(), "empty or gone") {
				t.Errorf("verify: %v", err)
			}
			if _, err := Open(ctx, sub, clock(), at(sub)...); !errors.Is(err, ErrDamaged) || !strings.Contains(err.Error(), "restore a backup") {
				t.Errorf("open: %v", err)
			}
		})
	}
}

// A check beside a service that writes finds nothing where nothing is.
func TestVerifyWhileWriting(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "data")
	aPractice(t, dir)
	s := openT(t, dir)
	stop, done := make(chan struct{}), make(chan error)
	go func() {
		for i := 0; ; i++ {
			select {
			case <-stop:
				done <- nil
				return
			default:
			}
			p, err := s.AddPatient(ctx, Patient{Name: fmt.Sprint("Patient ", i)})
			if err == nil {
				_, err = s.NewExam(ctx, Exam{Patient: p.ID})
			}
			if err == nil && i%3 == 0 {
				err = s.SetSettings(ctx, "", map[string]string{"practice": fmt.Sprint("Quill Dental ", i)})
			}
			if err != nil {
				done <- err
				return
			}
		}
	}()
	for range 25 {
		if err := verifyDir(dir); err != nil {
			t.Error(err)
			break
		}
	}
	close(stop)
	if err := <-done; err != nil {
		t.Error(err)
	}
}

// What was found and looked into can be accepted: the journal then vouches for what is there, and says that it was accepted.
func TestAccept(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "data")
	aPractice(t, dir)
	tamper(t, dir, "UPDATE settings SET value = 'Not Quill' WHERE key = 'practice'", "UPDATE journal SET who = 'ben' WHERE what = 'patient.read'")
	s := openT(t, dir)
	rep, err := s.Verify(ctx)
	if err != nil || len(rep.Problems) != 2 {
		t.Fatalf("%+v, %v", rep, err)
	}
	if n, err := s.Accept(ctx, "the name was changed by hand"); err != nil || n != 1 {
		t.Error(n, err)
	}
	if rep, err = s.Verify(ctx); err != nil || rep.Err() != nil || len(rep.Notes) != 2 {
		t.Errorf("%+v, %v", rep, err)
	}
	es, err := s.Journal(ctx, practice.JournalQuery{What: "record.accepted"})
	if err != nil || len(es) != 1 || es[0].Key != "/practice" {
		t.Errorf("%+v, %v", es, err)
	}
}

// dump is everything that a reader of the file can get out of it: all rows of all tables, by the tables and by their indexes, the
// schema and the header's fields. Two files with the same dump say the same.
func dump(path string) (string, error) {
	db, err := sql.Open("sqlite3", "file:"+path+"?mode=ro&immutable=1")
	if err != nil {
		return "", err
	}
	defer db.Close()
	var out strings.Builder
	rowsOf := func(q string) error {
		rows, err := db.Query(q)
		if err != nil {
			return err
		}
		defer rows.Close()
		row, err := anyRowOf(rows)
		if err != nil {
			return err
		}
		for rows.Next() {
			if err := row.scan(rows); err != nil {
				return err
			}
			fmt.Fprintf(&out, "%s %q\n", q, row.vals)
		}
		return rows.Err()
	}
	for _, q := range []string{"PRAGMA user_version", "PRAGMA application_id", "PRAGMA encoding", "SELECT * FROM sqlite_schema", "PRAGMA integrity_check"} {
		if err := rowsOf(q); err != nil {
			return "", err
		}
	}
	tables, err := gather(ctx, db, text, "SELECT name FROM sqlite_schema WHERE type = 'table'")
	if err != nil {
		return "", err
	}
	for _, t := range tables {
		if err := rowsOf("SELECT * FROM " + t); err != nil {
			return "", err
		}
	}
	return out.String(), nil
}

// Bits are flipped all over the file until forty of them have touched something that can be read. All of those are found. The others
// lie where nothing is: in the free room of pages and in fields of the header that SQLite only counts with.
func TestFlippedBitsAreFound(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "data")
	aPractice(t, dir)
	path := filepath.Join(dir, fileName)
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	good, err := dump(path)
	if err != nil {
		t.Fatal(err)
	}
	rnd := rand.New(rand.NewPCG(40, 1))
	live, found, dead := 0, 0, 0
	for live < 40 {
		at, bit := rnd.IntN(len(whole)), rnd.IntN(8)
		if whole[at] == 0 && rnd.IntN(20) > 0 {
			continue // mostly free room; some of it is tried
		}
		b := bytes.Clone(whole)
		b[at] ^= 1 << bit
		if err := os.WriteFile(path, b, 0o600); err != nil {
			t.Fatal(err)
		}
		now, derr := dump(path)
		verr := verifyDir(dir)
		switch {
		case derr == nil && now == good:
			dead++
		case verr == nil:
			live++
			t.Errorf("bit %d of byte %d of page %d: something that can be read has changed, and verify finds nothing", bit, at%4096, at/4096+1)
		default:
			live, found = live+1, found+1
		}
	}
	t.Logf("%d of %d flips that touch something readable were found; %d others touched nothing", found, live, dead)
}

// A session that was written into the file, or made somebody else's there, is none; neither does a passkey that was put there sign anybody
// in.
func TestForgedSessions(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "data")
	aPractice(t, dir)
	s, err := Open(ctx, dir, clock())
	if err != nil {
		t.Fatal(err)
	}
	ada, err := s.People(ctx)
	if err != nil {
		t.Fatal(err)
	}
	vic, err := s.PutPerson(ctx, Person{Name: "Vic Sound", Roles: []practice.Role{practice.Viewer}})
	if err != nil {
		t.Fatal(err)
	}
	at := clock()()
	for _, x := range []practice.Session{{Token: []byte("one"), Person: vic.ID, Sure: true, Began: at, Used: at}, {Token: []byte("two"), Person: vic.ID, Began: at, Used: at}, {Token: []byte("three"), Person: vic.ID, Began: at, Used: at}} {
		if err := s.PutSession(ctx, x); err != nil {
			t.Fatal(err)
		}
	}
	s.Close()
	tamper(t, dir, "UPDATE sessions SET person = '"+ada[0].ID+"' WHERE token = CAST('one' AS BLOB)", "UPDATE sessions SET sure = 1 WHERE token = CAST('two' AS BLOB)",
		"INSERT INTO sessions SELECT CAST('four' AS BLOB), person, sure, began, used, mac FROM sessions WHERE token = CAST('three' AS BLOB)",
		"INSERT INTO passkeys SELECT 'key2', '"+vic.ID+"', sealed FROM passkeys")
	s, err = Open(ctx, dir, clock())
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if xs, err := s.Sessions(ctx); err != nil || len(xs) != 1 || string(xs[0].Token) != "three" {
		t.Errorf("%+v, %v", xs, err)
	}
	if ks, err := s.Passkeys(ctx, vic.ID); !errors.Is(err, ErrDamaged) {
		t.Errorf("%+v, %v", ks, err)
	}
	if ks, err := s.Passkeys(ctx, ada[0].ID); err != nil || len(ks) != 1 || ks[0].Name != "phone" {
		t.Errorf("%+v, %v", ks, err)
	}
}
