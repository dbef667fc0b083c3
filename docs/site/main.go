// Command site makes a small site of the project's own Markdown files: go run ./docs/site FOLDER, in the root of the project (make site).
// The table of docs/README.md is its navigation.
package main

import (
	"bytes"
	"fmt"
	"html/template"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"strings"

	"github.com/yuin/goldmark"
	"github.com/yuin/goldmark/extension"
	"github.com/yuin/goldmark/parser"
)

func main() {
	if len(os.Args) != 2 {
		fmt.Fprintln(os.Stderr, "site: name the folder that the site is written to, such as dist/site")
		os.Exit(1)
	}
	if err := build(".", os.Args[1]); err != nil {
		fmt.Fprintf(os.Stderr, "site: %v\n", err)
		os.Exit(1)
	}
}

// link finds links of Markdown and of what it became.
var link = regexp.MustCompile(`(href|src)="([^"]+)"`)

// build writes a page for README.md, which is the first one, and for each Markdown file that it and docs/README.md lead to, and copies the
// files that they show.
func build(from, to string) error {
	md := goldmark.New(goldmark.WithExtensions(extension.GFM), goldmark.WithParserOptions(parser.WithAutoHeadingID()))
	nav, err := navigation(from, md)
	if err != nil {
		return err
	}
	done := map[string]bool{}
	for todo := []string{"README.md", "docs/README.md"}; len(todo) > 0; todo = todo[1:] {
		name := todo[0]
		if done[name] {
			continue
		}
		done[name] = true
		text, err := os.ReadFile(filepath.Join(from, name))
		if err != nil {
			return err
		}
		if !strings.HasSuffix(name, ".md") {
			if err := write(filepath.Join(to, name), text); err != nil {
				return err
			}
			continue
		}
		var body bytes.Buffer
		if err := md.Convert(text, &body); err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
		html, found := links(name, body.String())
		todo = append(todo, found...)
		var page bytes.Buffer
		if err := frame.Execute(&page, map[string]any{"Title": title(text), "Nav": template.HTML(relative(name, nav)), "Body": template.HTML(html)}); err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
		if err := write(filepath.Join(to, pageOf(name)), page.Bytes()); err != nil {
			return err
		}
	}
	return nil
}

// navigation is the table of docs/README.md as lists, with links from the root.
func navigation(from string, md goldmark.Markdown) (string, error) {
	text, err := os.ReadFile(filepath.Join(from, "docs/README.md"))
	if err != nil {
		return "", err
	}
	var b strings.Builder
	for _, row := range regexp.MustCompile(`(?m)^\| ([^|]+) \| ([^|]*\[[^|]+) \|$`).FindAllStringSubmatch(string(text), -1) {
		var cell bytes.Buffer
		if err := md.Convert([]byte(row[2]), &cell); err != nil {
			return "", err
		}
		html, _ := links("docs/README.md", cell.String())
		html = link.ReplaceAllStringFunc(html, func(l string) string {
			m := link.FindStringSubmatch(l)
			if outside(m[2]) {
				return l
			}
			return m[1] + `="` + path.Join("docs", m[2]) + `"`
		})
		fmt.Fprintf(&b, "<section><h2>%s</h2>%s</section>\n", template.HTMLEscapeString(row[1]), html)
	}
	if b.Len() == 0 {
		return "", fmt.Errorf("docs/README.md has no table of who reads what")
	}
	return b.String(), nil
}

// links turns links to Markdown files into links to their pages, and lists the files of the project that a page needs.
func links(name, html string) (string, []string) {
	var found []string
	out := link.ReplaceAllStringFunc(html, func(l string) string {
		m := link.FindStringSubmatch(l)
		file, anchor, _ := strings.Cut(m[2], "#")
		if outside(m[2]) || file == "" {
			return l
		}
		found = append(found, path.Join(path.Dir(name), file))
		if anchor != "" {
			anchor = "#" + anchor
		}
		return m[1] + `="` + pageOf(file) + anchor + `"`
	})
	return out, found
}

func outside(url string) bool { return strings.Contains(url, ":") || strings.HasPrefix(url, "/") }

// pageOf is the page of a Markdown file; other files keep their names.
func pageOf(file string) string {
	if path.Base(file) == "README.md" && path.Base(path.Dir("x/"+file)) != "x" || file == "README.md" {
		return path.Join(path.Dir(file), "index.html")
	}
	return regexp.MustCompile(`\.md$`).ReplaceAllString(file, ".html")
}

// relative leads links from the root to where a page lies.
func relative(name, nav string) string {
	up := strings.Repeat("../", strings.Count(name, "/"))
	return link.ReplaceAllStringFunc(nav, func(l string) string {
		m := link.FindStringSubmatch(l)
		if outside(m[2]) {
			return l
		}
		return m[1] + `="` + up + m[2] + `"`
	})
}

func title(text []byte) string {
	first, _, _ := strings.Cut(string(text), "\n")
	return strings.TrimSpace(strings.TrimLeft(first, "# "))
}

func write(file string, b []byte) error {
	if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
		return err
	}
	return os.WriteFile(file, b, 0o644)
}

var frame = template.Must(template.New("page").Parse(`<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1"><title>{{.Title}}</title>
<style>
:root { color-scheme: light dark; }
body { font: 1rem/1.55 system-ui, sans-serif; margin: 0 auto; max-width: 82rem; padding: 1.5rem; display: grid; gap: 2rem; grid-template-columns: 15rem minmax(0, 1fr); }
nav h2 { font-size: 0.9rem; margin: 1.2rem 0 0.2rem; } nav p { margin: 0; font-size: 0.95rem; }
main { max-width: 56rem; } h1 { line-height: 1.2; } img { max-width: 100%; }
table { border-collapse: collapse; display: block; overflow-x: auto; } th, td { border: 1px solid #8886; padding: 0.3rem 0.6rem; text-align: left; vertical-align: top; }
pre { overflow-x: auto; padding: 0.8rem; border: 1px solid #8886; } code { font-size: 0.92em; }
thead:not(:has(th:not(:empty))) { display: none; }
@media (max-width: 50rem) { body { grid-template-columns: minmax(0, 1fr); } }
</style></head><body><nav aria-label="Documentation">{{.Nav}}</nav><main>{{.Body}}</main></body></html>
`))
