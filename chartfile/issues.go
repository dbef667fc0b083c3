package chartfile

import (
	"fmt"
	"strings"
)

// Issue is one thing wrong with a chart.
type Issue struct {
	Path    string // such as teeth.16.sites.DB.depth; "" for the chart as a whole
	Problem string
	Err     error // a *RangeError, ErrNoSuchTooth, or nil
}

func (i Issue) String() string {
	if i.Path == "" {
		return i.Problem
	}
	return i.Path + ": " + i.Problem
}

// Issues is everything wrong with a chart, found in one pass. As an error it is one line.
type Issues []Issue

func (is Issues) Error() string {
	const shown = 5
	parts := make([]string, 0, shown+1)
	for n, i := range is {
		if n == shown {
			parts = append(parts, fmt.Sprintf("and %d more", len(is)-shown))
			break
		}
		parts = append(parts, i.String())
	}
	return strings.Join(parts, "; ")
}

// Unwrap lets errors.As find a *RangeError and errors.Is an ErrNoSuchTooth.
func (is Issues) Unwrap() []error {
	var errs []error
	for _, i := range is {
		if i.Err != nil {
			errs = append(errs, i.Err)
		}
	}
	return errs
}
