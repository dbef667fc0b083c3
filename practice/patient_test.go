package practice_test

import (
	"testing"

	"leadsman/practice"
)

func TestBornMayBeLessThanADay(t *testing.T) {
	for born, ok := range map[string]bool{"": true, "1971": true, "1971-03": true, "1971-03-28": true, "197": false, "1971-": false, "1971-13": false,
		"1971-02-30": false, "28.3.1971": false, "1971-03-28x": false, "1": false} {
		p := practice.Patient{Name: "Nell Ashby", Born: born}
		if err := p.Check(); (err == nil) != ok {
			t.Errorf("born %q: %v", born, err)
		}
	}
}
