package outside

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"leadsman/chart"
	"leadsman/report/fhir"
	"leadsman/report/reporttest"
)

// The HAPI validator (Apache-2.0, HL7's own FHIR R4 definitions in it) finds no error in any Bundle of the invented practice, in one that has
// every key of the chart file, in one that is amended and one that is void, in the CapabilityStatement, in a search and in what is
// refused; and it does find the errors of a Bundle that was broken on purpose.
func TestFHIRValidator(t *testing.T) {
	needs(t, "java", "javac", "mvn")
	dir := t.TempDir()
	url, _, exams := invented(t)
	var files []string
	for _, x := range exams {
		files = append(files, keep(t, dir, x+".json", fetch(t, url+"api/exams/"+x+"/export?as=fhir")))
	}
	files = append(files, keep(t, dir, "metadata.json", fetch(t, url+"fhir/metadata")), keep(t, dir, "search.json", fetch(t, url+"fhir/Condition?recorded-date=ge2020")))
	bundle := func(name string, change func(*bytes.Buffer)) {
		var b bytes.Buffer
		r := reporttest.Full(t)
		switch name {
		case "amended":
			site := chart.DB
			r.Amendments = []chart.Amendment{{Time: r.Exam.Signed.UnixMilli() + 1000, Who: "Ada Quill", Reason: "misheard", Tooth: 16, Site: &site, Field: chart.FieldDepth, Was: "5", Value: "5.5"}}
		case "void":
			r.Void = &chart.Void{Time: r.Exam.Signed.UnixMilli(), Who: "Ada Quill", Reason: "wrong patient"}
		case "open":
			r.Exam.SignedBy, r.Exam.Signed, r.Exam.Examiner = "", time.Time{}, ""
		}
		if err := fhir.Bundle(&b, r); err != nil {
			t.Fatal(err)
		}
		change(&b)
		files = append(files, keep(t, dir, name+".json", b.Bytes()))
	}
	for _, name := range []string{"every-key", "amended", "void", "open"} {
		bundle(name, func(*bytes.Buffer) {})
	}
	bundle("broken", func(b *bytes.Buffer) {
		s := strings.Replace(b.String(), `"status": "final"`, `"status": "ended"`, 1)
		s = strings.Replace(s, `"unit": "mm"`, `"units": "mm"`, 1)
		s = strings.Replace(s, `"code": "probe-site"`, `"code": "probe-place"`, 1)
		b.Reset()
		b.WriteString(s)
	})
	out := validate(t, keep(t, dir, "codesystem", fhir.CodeSystem), files)
	for _, f := range files {
		name := filepath.Base(f)
		if good := strings.Contains(out, name+": 0 errors"); good == (name == "broken.json") {
			t.Errorf("%s: the validator says:\n%s", name, out)
		}
	}
}

// validate runs the validator, which is fetched into the user's cache the first time (145 MB).
func validate(t *testing.T, codes string, files []string) string {
	t.Helper()
	cache, err := os.UserCacheDir()
	if err != nil {
		t.Fatal(err)
	}
	work := filepath.Join(cache, "leadsman", "hapi-8.8.0")
	if _, err := os.Stat(filepath.Join(work, "ready")); err != nil {
		if err := os.MkdirAll(work, 0o755); err != nil {
			t.Fatal(err)
		}
		pom, err := os.ReadFile("fhir/pom.xml")
		if err != nil {
			t.Fatal(err)
		}
		keep(t, work, "pom.xml", pom)
		cmd := exec.Command("mvn", "-q", "-B", "dependency:copy-dependencies", "-DoutputDirectory=lib")
		cmd.Dir = work
		if b, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("fetch the validator: %v\n%s", err, b)
		}
		keep(t, work, "ready", nil)
	}
	classes := t.TempDir()
	lib := filepath.Join(work, "lib", "*")
	if b, err := exec.Command("javac", "-nowarn", "-cp", lib, "-d", classes, "fhir/Check.java").CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, b)
	}
	args := append([]string{"-cp", lib + string(os.PathListSeparator) + classes, "Check", codes}, files...)
	b, err := exec.Command("java", args...).Output()
	if err != nil {
		t.Fatalf("%v\n%s", err, b)
	}
	return string(b)
}
