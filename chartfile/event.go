package chartfile

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"leadsman/chart"
)

// DecodePlan reads a plan. Unknown keys and values out of range are refused by name.
func DecodePlan(text string) (*chart.Plan, error) {
	var p chart.Plan
	dec := json.NewDecoder(strings.NewReader(text))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&p); err != nil {
		return nil, fmt.Errorf("plan: %w", err)
	}
	if _, err := dec.Token(); !errors.Is(err, io.EOF) {
		return nil, errors.New("plan: something follows its JSON object")
	}
	if err := p.Check(); err != nil {
		return nil, err
	}
	return &p, nil
}

// DecodeEvent reads what chart.Event.Encode wrote, with what its text says, and checks that it can be applied. A text that cannot be
// read changes nothing.
func DecodeEvent(b []byte) (chart.Event, error) {
	var e chart.Event
	if err := json.Unmarshal(b, &e); err != nil {
		return e, fmt.Errorf("event: %w", err)
	}
	switch e.Kind {
	case chart.KindPatient:
		e.Change, _ = decodeChange([]byte(e.Text))
	case chart.KindPlan:
		e.Plan, _ = DecodePlan(e.Text)
	}
	return e, e.Check()
}

// Read returns a command with what the texts of its acts say, or why they say nothing.
func Read(c chart.Command) chart.Command {
	c.Acts = slices.Clone(c.Acts)
	for i := range c.Acts {
		switch a := &c.Acts[i]; a.Verb {
		case chart.VerbPatient:
			a.Change, a.Unread = decodeChange([]byte(a.Text))
		case chart.VerbPlan:
			a.Plan, a.Unread = DecodePlan(a.Text)
		}
	}
	return c
}
