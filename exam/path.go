package exam

import (
	"fmt"
	"strings"

	"leadsman/chart"
)

// PathRef is what the log calls a path, given its name: a built-in one, one of the practice's own, or the
// pockets of the earlier exam, which may be nil. It fails with *chart.Refusal.
func PathRef(name string, own []chart.Path, earlier *chart.Chart) (string, error) {
	for _, p := range own {
		if p.Name == name {
			return p.Ref, nil
		}
	}
	if name == chart.PocketPath {
		if earlier == nil {
			return "", &chart.Refusal{Text: "there is no earlier exam whose pockets could be walked: choose another path"}
		}
		p, err := chart.Pockets(earlier)
		return p.Ref, err
	}
	if strings.Contains(name, ":") {
		return "", &chart.Refusal{Text: fmt.Sprintf("path %q: paths are chosen by their names", name)}
	}
	p, err := chart.PathNamed(name)
	if err != nil {
		text := err.Error()
		for _, p := range own {
			text += ", " + p.Name
		}
		return "", &chart.Refusal{Text: text}
	}
	return p.Ref, nil
}

// withPaths puts what the log needs in the place of names of paths.
func (e *Exam) withPaths(c chart.Command) (chart.Command, error) {
	for i, a := range c.Acts {
		if a.Verb != chart.VerbPath {
			continue
		}
		ref, err := PathRef(a.Text, e.cfg.Paths, e.cfg.Earlier)
		if err != nil {
			return c, err
		}
		acts := append([]chart.Act(nil), c.Acts...)
		acts[i].Text = ref
		c.Acts = acts
	}
	return c, nil
}
