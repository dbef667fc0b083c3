//go:build cgo
package ctc
import ("testing";"fmt";"os";"strconv")
func TestTrace(t *testing.T) {
	e := openEngine(t)
	rr, _ := e.NewRecognizer(); r := rr.(*recognizer)
	r.SetNet(callNet())
	rec := load(t, os.Getenv("REC"))
	a, _ := strconv.ParseFloat(os.Getenv("A"), 64); b, _ := strconv.ParseFloat(os.Getenv("B"), 64)
	x := rec.PCM[int(a*16000):int(b*16000)]
	last := int64(-1)
	names := []string{"."}
	for p, i := range e.lex.phone { for len(names) <= int(i) { names = append(names, "") }; names[i] = p }
	show := func() { for f := 0; f < len(r.lp)/40; f++ { row := r.lp[f*40:f*40+40]; j := 0; for k := range row { if row[k] > row[j] { j = k } }; s := names[j]; if j == 0 && row[0] < -0.02 { k := 1; for q := 1; q < 40; q++ { if row[q] > row[k] { k = q } }; s = fmt.Sprintf("(%s%.0f)", names[k], -row[k]) }; fmt.Print(" ", s) }; fmt.Println() }
	for i := 0; i < len(x); i += 160 {
		hs, err := r.Accept(x[i:min(len(x), i+160)])
		if err != nil { t.Fatal(err) }
		if r.nextLook != last {
			last = r.nextLook
			fmt.Printf("%d act %v gate %v next %d enc %d lpF %d call %d cons %d spoken %.2f loud %.2f:", r.steps, r.active, r.gate.open(), r.nextLook, r.encAt, r.lpFrom, r.callFrom, r.consumed, r.spoken, r.loudest); show()
		}
		for _, h := range hs { if h.Final { fmt.Println("FINAL", h.AtMS, h.Rejected, h.Filler); if len(h.Readings) > 0 { fmt.Println(h.Readings[0]) } } }
	}
}
