package outside

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"leadsman/tests/program"
)

// python is a Python with the reference readers of requirements.txt, made in the user's cache the first time.
func python(t *testing.T) string {
	t.Helper()
	needs(t, "python3")
	cache, err := os.UserCacheDir()
	if err != nil {
		t.Fatal(err)
	}
	want, err := os.ReadFile("requirements.txt")
	if err != nil {
		t.Fatal(err)
	}
	venv := filepath.Join(cache, "leadsman", "readers")
	bin := filepath.Join(venv, "bin", "python")
	if have, err := os.ReadFile(filepath.Join(venv, "ready")); err == nil && string(have) == string(want) {
		return bin
	}
	if os.Getenv("LEADSMAN_REFERENCE") == "" {
		t.Skip("SKIPPED: this check needs pandas, pyarrow, icalendar and pypdf; LEADSMAN_REFERENCE=1 fetches them (300 MB)")
	}
	for _, args := range [][]string{{"python3", "-m", "venv", venv}, {bin, "-m", "pip", "install", "-q", "--disable-pip-version-check", "-r", "requirements.txt"}} {
		if b, err := exec.Command(args[0], args[1:]...).CombinedOutput(); err != nil {
			t.Fatalf("%v: %v\n%s", args, err, b)
		}
	}
	keep(t, venv, "ready", want)
	return bin
}

// pandas and pyarrow read both forms of the tables, and from the sites they get the scores that stand with the exams.
func TestTablesInPandas(t *testing.T) {
	py := python(t)
	_, data, _ := invented(t)
	dir := t.TempDir()
	for _, as := range []string{"csv", "parquet"} {
		cmd := exec.Command(program.Path(t), "export", "--all", "--as", as, "--pseudonyms", "--data", data, "--out", filepath.Join(dir, as))
		if b, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("%v\n%s", err, b)
		}
	}
	b, err := exec.Command(py, "tables.py", filepath.Join(dir, "csv"), filepath.Join(dir, "parquet")).CombinedOutput()
	if err != nil || !strings.HasPrefix(string(b), "7 exams, ") {
		t.Errorf("%v\n%s", err, b)
	}
}
