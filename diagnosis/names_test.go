package diagnosis

import (
	"os"
	"regexp"
	"strings"
	"testing"
)

// The screens call findings as the papers do; on paper the unit stands behind the name.
func TestNamesAreThoseOfTheScreens(t *testing.T) {
	page, err := os.ReadFile("../web/static/desk/wording.js")
	if err != nil {
		t.Fatal(err)
	}
	_, table, _ := strings.Cut(string(page), "const NAMES = {")
	table, _, _ = strings.Cut(table, "};")
	onScreen := map[string]string{}
	for _, m := range regexp.MustCompile(`"([a-z0-9_.]+)": "(.*)",`).FindAllStringSubmatch(table, -1) {
		onScreen[m[1]] = m[2]
	}
	unit := regexp.MustCompile(`, (%|mm|mm2)$`)
	for code, name := range names {
		if got := unit.ReplaceAllString(name, ""); got != onScreen[code] {
			t.Errorf("%s is %q on paper and %q on screen", code, got, onScreen[code])
		}
		delete(onScreen, code)
	}
	for code, name := range onScreen {
		t.Errorf("%s is %q on screen and has no name on paper", code, name)
	}
}
