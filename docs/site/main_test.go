package main

import (
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// Every page is reached, every link within the site leads to a file of it and to a name there, and none to a Markdown file.
func TestSite(t *testing.T) {
	to := t.TempDir()
	if err := build("../..", to); err != nil {
		t.Fatal(err)
	}
	pages := 0
	err := filepath.WalkDir(to, func(file string, d fs.DirEntry, err error) error {
		if err != nil || !strings.HasSuffix(file, ".html") {
			return err
		}
		pages++
		b, err := os.ReadFile(file)
		if err != nil {
			return err
		}
		for _, m := range link.FindAllStringSubmatch(string(b), -1) {
			target, anchor, _ := strings.Cut(m[2], "#")
			if outside(m[2]) {
				continue
			}
			if target == "" {
				target = filepath.Base(file)
			}
			if strings.HasSuffix(target, ".md") {
				t.Errorf("%s leads to %s, which is no page", file, m[2])
			} else if _, err := os.Stat(filepath.Join(filepath.Dir(file), target)); err != nil {
				t.Errorf("%s leads to %s: %v", file, m[2], err)
			} else if there, _ := os.ReadFile(filepath.Join(filepath.Dir(file), target)); anchor != "" && !strings.Contains(string(there), `id="`+anchor+`"`) {
				t.Errorf("%s leads to %s, where nothing has that name", file, m[2])
			}
		}
		return nil
	})
	if err != nil || pages < 20 {
		t.Errorf("%d pages, %v", pages, err)
	}
	if b, err := os.ReadFile(filepath.Join(to, "index.html")); err != nil || !strings.Contains(string(b), "How well it works") {
		t.Errorf("the first page is not the README: %v", err)
	}
	for _, page := range []string{"docs/index.html", "docs/first-exam.html", "docs/calls.html", "docs/compared.html", "docs/administrators.html", "docs/programs.html", "DEVELOPERS.html"} {
		if _, err := os.Stat(filepath.Join(to, page)); err != nil {
			t.Error(err)
		}
	}
}
