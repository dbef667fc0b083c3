package main

import (
	"archive/zip"
	"bytes"
	"context"
	"database/sql"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"filippo.io/age"

	"leadsman/chartfile"
	"leadsman/practice"
	"leadsman/store"
)

// someone fills a data folder with the invented practice, and gives a patient with two exams or more, the newest first.
func someone(t *testing.T, data string) (practice.Patient, []practice.Exam) {
	t.Helper()
	ctx := context.Background()
	st, err := store.Open(ctx, data, time.Now)
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	if err := invent(ctx, st, inventedNow); err != nil {
		t.Fatal(err)
	}
	ps, err := st.Patients(ctx, "")
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range ps {
		if xs, err := st.Exams(ctx, p.ID); err == nil && len(xs) > 1 && xs[0].SignedBy != "" && p.Number != "" {
			return p, xs
		}
	}
	t.Fatal("nobody has two exams")
	return practice.Patient{}, nil
}

// unzip reads an archive.
func unzip(t *testing.T, path string) map[string]string {
	t.Helper()
	z, err := zip.OpenReader(path)
	if err != nil {
		t.Fatal(err)
	}
	defer z.Close()
	out := map[string]string{}
	for _, f := range z.File {
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		b, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		out[f.Name] = string(b)
	}
	return out
}

// One patient is exported, exported for teaching and erased, from the command line; the journal has all of it, and an anchor of before holds.
func TestPatientExportedAndErased(t *testing.T) {
	dir := t.TempDir()
	data := filepath.Join(dir, "data")
	p, exams := someone(t, data)
	st, err := store.OpenReadOnly(context.Background(), data)
	if err != nil {
		t.Fatal(err)
	}
	entries := map[string]uint64{}
	for _, x := range exams {
		entries[x.ID] = x.Events
	}
	st.Close()
	anchorFile := filepath.Join(dir, "anchors")
	status, line, errs := do(t, runAnchor, "--data", data)
	if status != exitOK {
		t.Fatal(errs)
	}
	os.WriteFile(anchorFile, []byte("\n"+line), 0o600)

	if status, out, _ := do(t, runPatient, "list", p.Number, "--data", data); status != exitOK || !strings.Contains(out, p.ID+"  "+p.Name) {
		t.Errorf("list: %d %q", status, out)
	}
	if status, out, _ := do(t, runPatient, "list", p.Name, "--data", data); status != exitOK || !strings.Contains(out, p.ID) {
		t.Errorf("list by name: %d %q", status, out)
	}
	whole := filepath.Join(dir, "whole.zip")
	if status, _, errs := do(t, runPatient, "export", p.ID, whole, "--data", data); status != exitOK {
		t.Fatal(errs)
	}
	files := unzip(t, whole)
	if !strings.Contains(files["patient.json"], p.Name) || !strings.Contains(files["journal.jsonl"], "patient.added") {
		t.Errorf("the record or the journal is not there: %q", files["patient.json"])
	}
	charts := 0
	for name, text := range files {
		switch filepath.Base(name) {
		case "chart.json":
			charts++
			c, err := chartfile.Decode(strings.NewReader(text))
			if err != nil || entries[c.ID] == 0 {
				t.Errorf("%s: %v", name, err)
				continue
			}
			folder := strings.TrimSuffix(name, "chart.json")
			if n := strings.Count(files[folder+"log.jsonl"], "\n"); uint64(n) != entries[c.ID] {
				t.Errorf("%s: %d entries of the log, want %d", folder, n, entries[c.ID])
			}
			if !strings.Contains(files[folder+"findings.json"], "periodontitis.case") || files[folder+"decisions.json"] == "" {
				t.Errorf("%s: no findings or no decisions", folder)
			}
		}
	}
	if charts != len(exams) {
		t.Errorf("%d charts, want %d", charts, len(exams))
	}
	if status, _, errs := do(t, runPatient, "export", p.ID, whole, "--data", data); status != exitInput || !strings.Contains(errs, "exists already") {
		t.Errorf("onto it: %d %q", status, errs)
	}

	// A damaged exam keeps no other from being handed over.
	db, err := sql.Open("sqlite3", filepath.Join(data, "leadsman.db"))
	if err != nil {
		t.Fatal(err)
	}
	var trigger string
	if err := db.QueryRow("SELECT sql FROM sqlite_schema WHERE name = 'events_never_change'").Scan(&trigger); err != nil {
		t.Fatal(err)
	}
	for _, q := range []string{"DROP TRIGGER events_never_change", "UPDATE events SET body = zeroblob(60) WHERE seq = 3 AND exam = '" + exams[0].ID + "'", trigger} {
		if _, err := db.Exec(q); err != nil {
			t.Fatal(err)
		}
	}
	db.Close()
	torn := filepath.Join(dir, "torn.zip")
	if status, _, errs := do(t, runPatient, "export", p.ID, torn, "--data", data); status != exitOK {
		t.Fatal(errs)
	}
	left := unzip(t, torn)
	charts = 0
	for name := range left {
		if strings.HasSuffix(name, "chart.json") {
			charts++
		}
	}
	if charts != len(exams)-1 || !strings.Contains(left["exams/damaged-1.txt"], "event 3") {
		t.Errorf("with a damaged exam: %d charts, %q", charts, left["exams/damaged-1.txt"])
	}

	if status, _, errs := do(t, runPatient, "erase", p.ID, "--data", data); status != exitInput || !strings.Contains(errs, "give the reason") {
		t.Errorf("without reason: %d %q", status, errs)
	}
	if status, _, errs := do(t, runPatient, "erase", p.ID, "--reason", "asked for", "--data", data); status != exitInput || !strings.Contains(errs, "still to be kept until") {
		t.Errorf("too early: %d %q", status, errs)
	}
	if status, out, errs := do(t, runPatient, "erase", p.ID, "--reason", "asked for", "--despite-retention", "--data", data); status != exitOK || !strings.HasPrefix(out, "erased: ") {
		t.Fatalf("%d %q %q", status, out, errs)
	}
	if status, _, errs := do(t, runPatient, "export", p.ID, filepath.Join(dir, "x.zip"), "--data", data); status != exitInput || !strings.Contains(errs, "not found") {
		t.Errorf("export of an erased patient: %d %q", status, errs)
	}
	if status, out, errs := do(t, runVerify, "--data", data, "--anchor", anchorFile); status != exitOK || !strings.Contains(out, "all intact") {
		t.Errorf("verify: %d %q %q", status, out, errs)
	}
	if status, out, _ := do(t, runJournal, "--patient", p.ID, "--what", "patient", "--data", data); status != exitOK ||
		!strings.Contains(out, "patient.erased") || !strings.Contains(out, "patient.exported") || !strings.Contains(out, "by command line") || strings.Contains(out, p.Name) {
		t.Errorf("journal: %d %q", status, out)
	}
	if status, out, _ := do(t, runJournal, "--json", "--data", data); status != exitOK || !strings.Contains(out, "patients.listed") || strings.Contains(out, p.Name) || strings.Contains(out, p.Number) {
		t.Errorf("the journal names who was erased (what was searched?): %d %q", status, out)
	}
	if status, out, _ := do(t, runPatient, "list", "--data", data); status != exitOK || strings.Contains(out, p.ID) || strings.Contains(out, p.Name) {
		t.Errorf("list after erasing: %d %q", status, out)
	}
	if status, out, _ := do(t, runJournal, "--csv", "--limit", "3", "--data", data); status != exitOK || strings.Count(out, "\n") != 4 {
		t.Errorf("journal as a table: %d %q", status, out)
	}
	if status, out, _ := do(t, runJournal, "--json", "--from", "2026-01-01", "--to", time.Now().Format(time.DateOnly), "--text", "ASKED FOR", "--data", data); status != exitOK || strings.Count(out, "\n") != 1 {
		t.Errorf("journal as JSON: %d %q", status, out)
	}
	for _, bad := range [][]string{{"--from", "yesterday"}, {"x"}, {"--limit", "many"}} {
		if status, _, errs := do(t, runJournal, append(bad, "--data", data)...); status != exitInput || errs == "" {
			t.Errorf("journal %q: %d %q", bad, status, errs)
		}
	}
	other := strings.Replace(line, " ", " ", 1)[:len(line)-3] + "00\n"
	if status, _, errs := do(t, runVerify, "--data", data, "--anchor", strings.TrimSpace(other)); status != exitInput || !strings.Contains(errs, "rewritten") {
		t.Errorf("an anchor of something else: %d %q", status, errs)
	}
	if status, _, errs := do(t, runVerify, "--data", data, "--anchor", filepath.Join(dir, "none")); status != exitInput || errs == "" {
		t.Errorf("no anchor: %d %q", status, errs)
	}
	if status, out, _ := do(t, runPatient, "retention", "12", "--data", data); status != exitOK || out != "" {
		t.Errorf("retention: %d %q", status, out)
	}
	if status, out, _ := do(t, runPatient, "retention", "--data", data); status != exitOK || !strings.Contains(out, "12 years") {
		t.Errorf("retention: %d %q", status, out)
	}
	if status, _, errs := do(t, runPatient, "forget", p.ID, "--data", data); status != exitInput || !strings.Contains(errs, "one of") {
		t.Errorf("something else: %d %q", status, errs)
	}
}

// Backups are encrypted to a passphrase or to age's recipients, and open with nothing else.
func TestEncryptedBackup(t *testing.T) {
	dir := t.TempDir()
	data := filepath.Join(dir, "data")
	exam := fill(t, data)
	write := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	id, err := age.GenerateX25519Identity()
	if err != nil {
		t.Fatal(err)
	}
	other, _ := age.GenerateX25519Identity()
	pass, wrong, empty := write("pass", "correct horse\n"), write("wrong", "battery"), write("empty", "\n")
	mine, theirs := write("mine", id.String()+"\n"), write("theirs", other.String())
	for name, c := range map[string]struct{ seal, open, bad []string }{
		"passphrase": {[]string{"--passphrase-file", pass}, []string{"--passphrase-file", pass}, []string{"--passphrase-file", wrong}},
		"recipients": {[]string{"--to", other.Recipient().String(), "--to", id.Recipient().String()}, []string{"--identity", mine}, nil},
		"recipient":  {[]string{"--to", id.Recipient().String()}, []string{"--identity", mine}, []string{"--identity", theirs}},
	} {
		t.Run(name, func(t *testing.T) {
			file := filepath.Join(t.TempDir(), "copy.age")
			if status, out, errs := do(t, runBackup, append(c.seal, file, "--data", data)...); status != exitOK || !strings.Contains(out, "encrypted") {
				t.Fatalf("%d %q %q", status, out, errs)
			}
			b, err := os.ReadFile(file)
			if err != nil || bytes.Contains(b, []byte("SQLite")) || !bytes.HasPrefix(b, []byte("age-encryption.org/v1")) {
				t.Fatalf("not encrypted (%v): %.40q", err, b)
			}
			if fi, _ := os.Stat(file); fi.Mode().Perm() != 0o600 {
				t.Error(fi.Mode())
			}
			if c.bad != nil {
				if status, _, errs := do(t, runVerify, append(c.bad, file)...); status != exitInput || !strings.Contains(errs, "--identity") {
					t.Errorf("with another: %d %q", status, errs)
				}
			}
			if status, _, errs := do(t, runVerify, file); status != exitInput || !strings.Contains(errs, "--passphrase-file") {
				t.Errorf("with nothing: %d %q", status, errs)
			}
			if status, out, errs := do(t, runVerify, append(c.open, file)...); status != exitOK || !strings.Contains(out, "1 exam") {
				t.Errorf("verify: %d %q %q", status, out, errs)
			}
			again := filepath.Join(t.TempDir(), "again")
			if status, out, errs := do(t, runRestore, append(c.open, file, "--data", again)...); status != exitOK {
				t.Fatalf("restore: %d %q %q", status, out, errs)
			}
			st, err := store.OpenReadOnly(context.Background(), again)
			if err != nil {
				t.Fatal(err)
			}
			defer st.Close()
			if _, err := st.Exam(context.Background(), exam); err != nil {
				t.Error(err)
			}
			os.WriteFile(file, b[:len(b)-50], 0o600)
			if status, _, errs := do(t, runVerify, append(c.open, file)...); status != exitInput || !strings.Contains(errs, "use another backup") {
				t.Errorf("cut short: %d %q", status, errs)
			}
		})
	}
	for _, bad := range [][]string{{"--to", "somebody"}, {"--to", id.Recipient().String(), "--passphrase-file", pass}, {"--passphrase-file", empty}, {"--passphrase-file", filepath.Join(dir, "none")}} {
		if status, _, errs := do(t, runBackup, append(bad, filepath.Join(dir, "never"), "--data", data)...); status != exitInput || errs == "" {
			t.Errorf("%q: %d %q", bad, status, errs)
		}
	}
	if left, _ := filepath.Glob(filepath.Join(data, ".leadsman-*")); len(left) > 0 {
		t.Errorf("copies in clear are left: %v", left)
	}
}

// The key file is shown, protected by a passphrase, and laid open again.
func TestKeyCommand(t *testing.T) {
	dir := t.TempDir()
	data := filepath.Join(dir, "data")
	fill(t, data)
	pass := filepath.Join(dir, "pass")
	os.WriteFile(pass, []byte("correct horse\n"), 0o600)
	wrong := filepath.Join(dir, "wrong")
	os.WriteFile(wrong, []byte("battery\n"), 0o600)
	status, shown, _ := do(t, runKey, "--show", "--data", data)
	if status != exitOK || !strings.Contains(shown, "not protected") || !strings.Contains(shown, "\nleadsman-key-1 ") {
		t.Fatalf("%d %q", status, shown)
	}
	if status, _, errs := do(t, runKey, "--protect", pass, "--data", data); status != exitOK {
		t.Fatal(errs)
	}
	if b, _ := os.ReadFile(store.KeyFile(data)); bytes.Contains(b, []byte("leadsman-key-1")) {
		t.Error("the key stands in the file in clear")
	}
	for env, c := range map[string]struct {
		status int
		text   string
	}{"": {exitInput, "protected by a passphrase"}, wrong: {exitInput, "not the right one"}, filepath.Join(dir, "none"): {exitInput, "no such file"}, pass: {exitOK, "all intact"}} {
		t.Setenv("LEADSMAN_PASSPHRASE_FILE", env)
		if status, out, errs := do(t, runVerify, "--data", data); status != c.status || !strings.Contains(out+errs, c.text) {
			t.Errorf("with %q: %d %q %q", env, status, out, errs)
		}
	}
	t.Setenv("LEADSMAN_PASSPHRASE_FILE", pass)
	if status, out, _ := do(t, runKey, "--show", "--data", data); status != exitOK || !strings.Contains(out, "protected by a passphrase") || out[strings.Index(out, "\n"):] != shown[strings.Index(shown, "\n"):] {
		t.Errorf("%d %q", status, out)
	}
	if status, _, errs := do(t, runKey, "--open", "--data", data); status != exitOK {
		t.Fatal(errs)
	}
	t.Setenv("LEADSMAN_PASSPHRASE_FILE", "")
	if status, out, errs := do(t, runVerify, "--data", data); status != exitOK {
		t.Errorf("%d %q %q", status, out, errs)
	}
	if status, _, errs := do(t, runKey, "--data", filepath.Join(dir, "none")); status != exitInput || !strings.Contains(errs, "--key") {
		t.Errorf("no key: %d %q", status, errs)
	}
	if status, _, errs := do(t, runKey, "--open", "--protect", pass, "--data", data); status != exitInput || errs == "" {
		t.Errorf("both: %d %q", status, errs)
	}
}
