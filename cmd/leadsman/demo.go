package main

import (
	"bytes"
	"context"
	_ "embed"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"runtime"
	"syscall"
	"time"

	"leadsman/chart"
	"leadsman/chartfile"
	"leadsman/diagnosis"
	"leadsman/exam"
	"leadsman/practice"
	"leadsman/speech"
	"leadsman/store"
)

// The invented practice. Names, people and mouths are made up for this program.
const inventedPractice = "Fathom Lane Dental (invented)"

// inventedVisit is an exam of an invented patient.
type inventedVisit struct {
	daysAgo  int
	examiner string
	missing  []chart.Tooth
	implants []chart.Tooth
	// deep gives the depth at interdental sites of a tooth; other sites are 2 to 3 mm.
	deep map[chart.Tooth]int
	// recession at the buccal sites of a tooth.
	recession map[chart.Tooth]int
	mobility  map[chart.Tooth]int
	furcation map[chart.Tooth]map[chart.Entrance]int
	bleeding  int    // in how many of a hundred sites, beside the deep ones
	plaque    int    // likewise
	inputs    string // patient inputs, JSON
	sign      bool
	repeats   bool          // the same mouth once more, read by somebody else
	plan      *inventedPlan // decided after signing
}

// inventedPlan is what the examiner decided, counted from the day of the exam.
type inventedPlan struct {
	phases                []chart.PlanPhase
	doneAfter, checkAfter int // days to the end of phase one and to the re-evaluation; 0 not decided
	months                int // recall
}

// of makes the plan for an exam of a day.
func (p *inventedPlan) of(day time.Time) chart.Plan {
	out := chart.Plan{Phases: p.phases, RecallMonths: p.months}
	in := func(days int) string {
		if days == 0 {
			return ""
		}
		return day.AddDate(0, 0, days).Format(time.DateOnly)
	}
	out.PhaseOneDone, out.Reevaluation = in(p.doneAfter), in(p.checkAfter)
	if p.months > 0 {
		out.Recall = diagnosis.AddMonths(day, p.months).Format(time.DateOnly)
	}
	return out
}

type inventedPatient struct {
	name, born, number string
	visits             []inventedVisit
}

func inventedPatients() []inventedPatient {
	molars := func(d int) map[chart.Tooth]int {
		return map[chart.Tooth]int{16: d, 17: d, 26: d, 27: d - 1, 36: d, 37: d, 46: d, 47: d - 1}
	}
	return []inventedPatient{
		{"Harriet Sallow", "1969-04-17", "FL-0112", []inventedVisit{
			{daysAgo: 62, examiner: "Ada Quill", missing: []chart.Tooth{24, 46}, deep: merge(molars(6), map[chart.Tooth]int{11: 5, 12: 5, 31: 5, 41: 5, 14: 6, 15: 5}),
				recession: map[chart.Tooth]int{16: 2, 26: 2, 31: 1, 41: 1, 36: 1}, mobility: map[chart.Tooth]int{31: 1, 41: 1},
				furcation: map[chart.Tooth]map[chart.Entrance]int{16: {chart.EntranceBuccal: 1, chart.EntranceDistal: 2}, 36: {chart.EntranceBuccal: 1}},
				bleeding:  30, plaque: 45, inputs: `{"medical_history_checked":true,"cigarettes_per_day":12,"hba1c_percent":6.1,"teeth_lost_periodontitis":2,"bone_loss_percent":40}`, sign: true,
				plan: &inventedPlan{doneAfter: 14, checkAfter: 56, phases: []chart.PlanPhase{
					{ID: "step1", Title: "Step 1", Items: []string{"Show how to clean between the teeth; ask about smoking at every visit."}},
					{ID: "step2", Title: "Step 2", Items: []string{"Subgingival instrumentation in two sessions, right side first."}}}}},
			{daysAgo: 6, examiner: "Ada Quill", missing: []chart.Tooth{24, 46}, deep: merge(molars(4), map[chart.Tooth]int{16: 6, 14: 4, 36: 5}),
				recession: map[chart.Tooth]int{16: 2, 26: 2, 31: 2, 41: 2, 36: 1}, mobility: map[chart.Tooth]int{31: 1},
				furcation: map[chart.Tooth]map[chart.Entrance]int{16: {chart.EntranceDistal: 2}},
				bleeding:  9, plaque: 18, inputs: `{"medical_history_checked":true,"cigarettes_per_day":5,"hba1c_percent":6.1,"teeth_lost_periodontitis":2,"bone_loss_percent":40}`, sign: true},
		}},
		{"Jonas Merrow", "1991-11-02", "FL-0127", []inventedVisit{
			{daysAgo: 20, examiner: "Ada Quill", bleeding: 14, plaque: 25, inputs: `{"medical_history_checked":true,"cigarettes_per_day":0,"bone_loss_percent":0,"teeth_lost_periodontitis":0}`, sign: true,
				plan: &inventedPlan{months: 6}}}},
		{"Ines Tidewell", "1998-06-25", "FL-0131", []inventedVisit{
			{daysAgo: 12, examiner: "Ben Oakley", bleeding: 3, plaque: 9, inputs: `{"medical_history_checked":true,"cigarettes_per_day":0,"bone_loss_percent":0,"teeth_lost_periodontitis":0}`, sign: true},
			// The same mouth the same day by another examiner, for calibration.
			{daysAgo: 12, examiner: "Ada Quill", repeats: true, bleeding: 4, plaque: 8, inputs: `{"medical_history_checked":true,"cigarettes_per_day":0,"bone_loss_percent":0,"teeth_lost_periodontitis":0}`, sign: true,
				plan: &inventedPlan{months: 12}}}},
		{"Walter Brack", "1956-01-30", "FL-0098", []inventedVisit{
			{daysAgo: 3, examiner: "Ben Oakley", missing: []chart.Tooth{16, 27, 37, 47}, implants: []chart.Tooth{36}, deep: map[chart.Tooth]int{36: 6, 17: 4, 26: 4, 46: 4},
				recession: map[chart.Tooth]int{13: 1, 23: 2, 33: 1}, bleeding: 11, plaque: 22,
				inputs: `{"cigarettes_per_day":0,"bone_loss_percent":15,"teeth_lost_periodontitis":0}`}}},
		{"Oskar Fenn", "1974-08-19", "FL-0119", []inventedVisit{
			{daysAgo: 205, examiner: "Ben Oakley", deep: map[chart.Tooth]int{16: 5, 26: 5, 37: 5, 47: 4}, recession: map[chart.Tooth]int{16: 1, 26: 1}, bleeding: 18, plaque: 30,
				inputs: `{"medical_history_checked":true,"cigarettes_per_day":0,"bone_loss_percent":20,"teeth_lost_periodontitis":0}`, sign: true, plan: &inventedPlan{months: 6}}}},
		{"Mara Lindqvist", "1983-09-09", "FL-0140", nil},
	}
}

func merge(a, b map[chart.Tooth]int) map[chart.Tooth]int {
	for k, v := range b {
		a[k] = v
	}
	return a
}

// invent fills a store with the invented practice through the same commands that a clinician gives.
// It does nothing if the practice has patients already.
func invent(ctx context.Context, s *store.Store, now time.Time) error {
	ps, err := s.Patients(ctx, "")
	if err != nil || len(ps) > 0 {
		return err
	}
	if err := practice.Name(ctx, s, inventedPractice); err != nil {
		return err
	}
	people := map[string]practice.Person{}
	for _, who := range []practice.Person{{Name: "Ada Quill", Roles: []practice.Role{practice.Clinician, practice.Supervisor, practice.Administrator}},
		{Name: "Ben Oakley", Roles: []practice.Role{practice.Clinician}}, {Name: "Cleo Marsh", Roles: []practice.Role{practice.Assistant}}, {Name: "Dan Fairway", Roles: []practice.Role{practice.Student}}} {
		kept, err := s.PutPerson(ctx, who)
		if err != nil {
			return err
		}
		people[who.Name] = kept
	}
	rnd := rand.New(rand.NewPCG(1, 2)) // #nosec G404 -- the same mouths every time
	for _, ip := range inventedPatients() {
		p, err := s.AddPatient(ctx, practice.Patient{Name: ip.name, Born: ip.born, Number: ip.number})
		if err != nil {
			return err
		}
		earlier := ""
		var mouth *chart.Chart
		for i, v := range ip.visits {
			x := practice.Exam{Patient: p.ID, Kind: practice.KindExam, Examiner: v.examiner, Earlier: earlier, Title: "invented"}
			if i > 0 && !v.repeats {
				x.Kind = practice.KindReevaluation
			}
			if x, err = s.NewExam(ctx, x); err != nil {
				return err
			}
			day := now.AddDate(0, 0, -v.daysAgo).Add(time.Duration(i) * time.Hour)
			who := people[v.examiner]
			if mouth, err = v.write(ctx, s.Log(x.ID), p.ID, who.Caller(), day, rnd, mouth); err != nil {
				return fmt.Errorf("invented exam of %s: %w", ip.name, err)
			}
			earlier = x.ID
		}
	}
	return nil
}

// inventedLog is the log of an invented exam while it is written: a call every few seconds.
type inventedLog struct {
	st  *chart.State
	evs []chart.Event
	at  int64 // ms
	by  exam.Caller
}

func (l *inventedLog) do(acts ...chart.Act) error {
	l.at += 2500
	evs, err := l.st.Do(chartfile.Read(chart.Command{Acts: acts}), chart.Meta{Time: l.at, Source: chart.Keyboard, Person: l.by.Person, Who: l.by.Who, Confidence: 1})
	if err != nil {
		return err
	}
	l.evs = append(l.evs, evs...)
	return l.st.Apply(evs...)
}

// keep writes the log, one call a transaction, as it happened.
func (l *inventedLog) keep(ctx context.Context, log exam.Log) error {
	for rest := l.evs; len(rest) > 0; {
		n := 1
		for n < len(rest) && rest[n].Call == rest[0].Call {
			n++
		}
		if err := log.Append(ctx, rest[:n]...); err != nil {
			return err
		}
		rest = rest[n:]
	}
	return nil
}

// write calls the whole mouth and gives its chart. before is the mouth of the exam before, if any.
func (v *inventedVisit) write(ctx context.Context, log exam.Log, patient string, by exam.Caller, day time.Time, rnd *rand.Rand, before *chart.Chart) (*chart.Chart, error) {
	l, err := v.begin(patient, by, day)
	if err != nil {
		return nil, err
	}
	for !l.st.AtEnd() {
		if err := l.do(v.probe(l.st.Place, l.st.Path.Sites(l.st.Place), rnd, before)...); err != nil {
			return nil, err
		}
	}
	if err := v.end(l, day); err != nil {
		return nil, err
	}
	return &l.st.Chart, l.keep(ctx, log)
}

// begin opens the exam, with the teeth that are there.
func (v *inventedVisit) begin(patient string, by exam.Caller, day time.Time) (*inventedLog, error) {
	present := map[chart.Tooth]chart.Presence{}
	for _, t := range v.missing {
		present[t] = chart.Missing
	}
	for _, t := range v.implants {
		present[t] = chart.Implant
	}
	at := day.UnixMilli()
	evs, err := chart.Start(chart.Universal, "", nil, present, chart.Meta{Time: at, Person: by.Person, Who: by.Who, Patient: patient})
	if err != nil {
		return nil, err
	}
	st, err := chart.Fold(evs)
	return &inventedLog{st, evs, at, by}, err
}

// probe is the call of a place.
func (v *inventedVisit) probe(p chart.Place, sites [3]chart.Site, rnd *rand.Rand, before *chart.Chart) []chart.Act {
	var depths, margins []chart.MM
	var bleed, plaque []chart.Where
	for _, site := range sites {
		d := v.depth(p.Tooth, site, rnd, before)
		depths = append(depths, chart.Millimetres(d))
		margins = append(margins, chart.Millimetres(v.margin(p, d)))
		if d >= 5 && rnd.IntN(10) > 1 || rnd.IntN(100) < v.bleeding {
			bleed = append(bleed, site.Where())
		}
		if rnd.IntN(100) < v.plaque {
			plaque = append(plaque, site.Where())
		}
	}
	acts := []chart.Act{{Verb: chart.VerbSoundings, Numbers: depths}, {Verb: chart.VerbMargin, Numbers: margins}}
	if len(bleed) > 0 {
		acts = append(acts, chart.Act{Verb: chart.VerbFlag, Flag: chart.Bleeding, Value: chart.Yes, Where: bleed})
	}
	if len(plaque) > 0 {
		acts = append(acts, chart.Act{Verb: chart.VerbFlag, Flag: chart.Plaque, Value: chart.Yes, Where: plaque})
	}
	if p.Aspect != chart.Buccal { // what is called once a tooth is called there
		return acts
	}
	if m, ok := v.mobility[p.Tooth]; ok {
		acts = append(acts, chart.Act{Verb: chart.VerbMobility, Grade: m})
	}
	for _, e := range p.Tooth.Entrances() {
		if g, ok := v.furcation[p.Tooth][e]; ok {
			acts = append(acts, chart.Act{Verb: chart.VerbFurcation, Grade: g, Entrance: &e})
		}
	}
	return acts
}

// depth of a site in mm. Who probes the same mouth again has most readings as before, some a millimetre off, a few two.
func (v *inventedVisit) depth(t chart.Tooth, site chart.Site, rnd *rand.Rand, before *chart.Chart) int {
	d := 2 + rnd.IntN(2)
	if deep := v.deep[t]; deep > 0 && site.Interdental() {
		d = deep - rnd.IntN(2)
	}
	if !v.repeats {
		return d
	}
	d = before.Site(chart.SiteRef{Tooth: t, Site: site}).Depth.Whole()
	switch rnd.IntN(40) {
	case 0:
		d += 2
	case 1, 2, 3:
		d++
	case 4, 5, 6:
		d--
	}
	return d
}

// margin of a site of a depth, in mm.
func (v *inventedVisit) margin(p chart.Place, depth int) int {
	switch {
	case p.Aspect == chart.Buccal && v.recession[p.Tooth] != 0:
		return v.recession[p.Tooth]
	case v.deep[p.Tooth] == 0:
		return -depth // the pocket's bottom is at the CEJ: nothing is lost
	case depth == 4:
		return -1 // a swollen margin rather than lost attachment
	}
	return 0
}

// end gives what was not called its rest, completes the exam, signs it and plans.
func (v *inventedVisit) end(l *inventedLog, day time.Time) error {
	if err := l.do(chart.Act{Verb: chart.VerbRest, Field: chart.FieldOf(chart.Bleeding)}, chart.Act{Verb: chart.VerbRest, Field: chart.FieldOf(chart.Plaque)},
		chart.Act{Verb: chart.VerbPatient, Text: v.inputs}, chart.Act{Verb: chart.VerbComplete}); err != nil {
		return err
	}
	if v.sign {
		if err := l.do(chart.Act{Verb: chart.VerbSign}); err != nil {
			return err
		}
	}
	if v.plan == nil {
		return nil
	}
	text, err := json.Marshal(v.plan.of(day))
	if err != nil {
		return err
	}
	return l.do(chart.Act{Verb: chart.VerbPlan, Text: string(text)})
}

// demoSound is a short spoken exam by a synthetic voice, a test recording too (tests/recordings); its licence is in THIRD_PARTY.md.
//
//go:embed page-joe.wav
var demoSound []byte

// runDemo serves the invented practice and plays a spoken exam into it.
func runDemo(args []string, _ io.Reader, stdout, stderr io.Writer) int {
	fs := flags("demo", stderr)
	f := addServiceFlags(fs, "")
	quiet := fs.Bool("no-browser", false, "do not open the page")
	rest, status, done := parse(fs, args)
	if done {
		return status
	}
	if len(rest) > 0 {
		return fail(stderr, exitInput, "demo takes no further arguments, got %q", rest[0])
	}
	if f.data == "" {
		dir, err := os.MkdirTemp("", "leadsman-demo-")
		if err != nil {
			return fail(stderr, exitTool, "demo: %v", err)
		}
		defer os.RemoveAll(dir)
		f.data, f.database = filepath.Join(dir, "data"), ""
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	return serve(ctx, f, stdout, stderr, func(url string, p *practice.Practice, st *store.Store) error {
		fmt.Fprintln(stdout, "inventing a practice ...")
		if err := invent(ctx, st, time.Now()); err != nil {
			return fmt.Errorf("demo: %w", err)
		}
		if f.engine.name == engineNone {
			return nil
		}
		return playDemo(ctx, url, p, stdout, stderr, !*quiet)
	})
}

// playDemo begins an exam of the invented patient without one and speaks to it.
func playDemo(ctx context.Context, url string, p *practice.Practice, stdout, stderr io.Writer, browse bool) error {
	ps, _, err := p.Patients(ctx, "Lindqvist", "", 1)
	if err != nil || len(ps) == 0 {
		return err // the practice was not the invented one
	}
	es, err := p.Voices.Examiners(ctx)
	if err != nil || len(es) == 0 {
		return err
	}
	v, err := p.Begin(ctx, practice.NewVisit{Patient: ps[0].ID}, es[0].Caller())
	if err != nil {
		return err
	}
	pcm, _, err := speech.ReadWAV(bytes.NewReader(demoSound))
	if err != nil {
		return err
	}
	page := url + "exams/" + v.ID + "/live"
	fmt.Fprintf(stdout, "a spoken exam is playing at %s\n", page)
	if browse {
		openBrowser(page)
	}
	p.Go(func() {
		if err := speak(ctx, p, v.ID, es[0].ID, pcm); err != nil {
			fail(stderr, exitTool, "demo: %v", err)
		}
	})
	return nil
}

// speak feeds sound into an exam as a microphone does, until it ends or ctx does.
func speak(ctx context.Context, p *practice.Practice, id, examiner string, pcm []int16) error {
	ex, err := p.Open(ctx, id)
	if err != nil {
		return err
	}
	mic, err := ex.OpenMicFor("demo", examiner, false)
	if err != nil {
		return err
	}
	defer mic.Close()
	// A few seconds to open the page.
	begin := time.Now().Add(4 * time.Second)
	for i := 0; i < len(pcm); i += frame {
		end := min(i+frame, len(pcm))
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(time.Until(begin.Add(time.Duration(end) * time.Second / speech.Rate))):
		}
		if _, err := mic.Write(int64(i), pcm[i:end]); err != nil {
			return err
		}
	}
	return nil
}

// openBrowser tries to show a page; on a machine without a desktop nothing happens.
func openBrowser(url string) {
	name := "xdg-open"
	if runtime.GOOS == "darwin" {
		name = "open"
	}
	if path, err := exec.LookPath(name); err == nil {
		_ = exec.Command(path, url).Start() // #nosec G204 -- the address is our own
	}
}
