package tests

import (
	"os"
	"regexp"
	"strings"
	"testing"
)

// Every module that go.mod asks for stands in THIRD_PARTY.md with its version; go.mod is the build's own list.
func TestThirdPartyNamesEveryModule(t *testing.T) {
	mod, err := os.ReadFile("../go.mod")
	if err != nil {
		t.Fatal(err)
	}
	list, err := os.ReadFile("../THIRD_PARTY.md")
	if err != nil {
		t.Fatal(err)
	}
	named := 0
	for _, m := range regexp.MustCompile(`(?m)^\t(\S+) (v\S+)$`).FindAllStringSubmatch(string(mod), -1) {
		if !strings.Contains(string(list), m[1]+" "+m[2]) {
			t.Errorf("THIRD_PARTY.md lacks %s %s, with its licence and what it is for", m[1], m[2])
		}
		named++
	}
	if named < 20 {
		t.Errorf("go.mod has %d modules", named)
	}
}
