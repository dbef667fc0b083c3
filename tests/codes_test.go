package tests

import (
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// Every code that an error of the service can have stands in docs/api.md, in the row of its status.
func TestCodesOfErrors(t *testing.T) {
	page, err := os.ReadFile("../docs/api.md")
	if err != nil {
		t.Fatal(err)
	}
	rows := map[string]string{} // by status
	for _, row := range regexp.MustCompile(`(?m)^\| ([45]\d\d(?:, \d{3})*) \| (.*)$`).FindAllStringSubmatch(string(page), -1) {
		for _, status := range strings.Split(row[1], ", ") {
			rows[status] += row[2]
		}
	}
	numbers := map[string]int{} // of the names that net/http gives them
	for n := 400; n < 600; n++ {
		if text := http.StatusText(n); text != "" {
			numbers[regexp.MustCompile(`[^A-Za-z]`).ReplaceAllString(text, "")] = n
		}
	}
	files, err := filepath.Glob("../web/*.go")
	if err != nil {
		t.Fatal(err)
	}
	found := 0
	for _, file := range files {
		if strings.HasSuffix(file, "_test.go") {
			continue
		}
		b, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range regexp.MustCompile(`http\.Status(\w+), "([a-z_]+)"`).FindAllStringSubmatch(string(b), -1) {
			status := strconv.Itoa(numbers[m[1]])
			if found++; !strings.Contains(rows[status], "`"+m[2]+"`") {
				t.Errorf("docs/api.md lacks `%s` among the codes of %s (%s)", m[2], status, file)
			}
		}
	}
	if found < 40 {
		t.Errorf("%d codes in web", found)
	}
}
