package report

import (
	"archive/zip"
	"context"
	"encoding/json"
	"fmt"
	"io"

	"leadsman/chartfile"
	"leadsman/practice"
)

// Whole is a store that gives all that it keeps of a patient.
type Whole interface {
	Kept
	Clips(ctx context.Context, exam string) ([]uint64, error)
	Clip(ctx context.Context, exam string, call uint64) ([]byte, error)
	Journal(ctx context.Context, q practice.JournalQuery) ([]practice.Entry, error)
}

// Dossier writes a ZIP archive of all that is kept of a patient: the record, of every exam the chart file, the findings, the decisions,
// the log and the sound clips, and the journal. An exam or a clip that cannot be read is named in it and keeps no other out.
func Dossier(ctx context.Context, w io.Writer, s Whole, program, patient string) error {
	p, err := s.Patient(ctx, patient)
	if err != nil {
		return err
	}
	z := &archive{z: zip.NewWriter(w)}
	z.text("read-me.txt", fmt.Sprintf(`All that is kept of %s (%s).

patient.json                the record
exams/DAY-ID/chart.json     the chart as it stands (schema leadsman.chart/1)
exams/DAY-ID/findings.json  what the rules make of it (schema leadsman.findings/1)
exams/DAY-ID/decisions.json what was decided about therapy and recall, oldest first
exams/DAY-ID/log.jsonl      every entry that was made, oldest first, one a line
exams/DAY-ID/clips/N.wav    the sound of call N
exams/damaged-N.txt         an exam that cannot be read
journal.jsonl               who changed or read the record, newest first, one a line

Decision support for licensed clinicians; it does not diagnose by itself.
`, p.Name, p.ID))
	z.json("patient.json", p)
	n := 0
	for r, err := range From(s, program).Records(ctx, patient) {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if err != nil {
			n++
			z.text(fmt.Sprintf("exams/damaged-%d.txt", n), "This exam cannot be read: "+err.Error()+"\n")
			continue
		}
		if err := z.exam(ctx, s, r); err != nil {
			return err
		}
	}
	es, err := s.Journal(ctx, practice.JournalQuery{Patient: patient})
	if err != nil {
		return err
	}
	journal := z.file("journal.jsonl")
	for _, e := range es {
		b, err := json.Marshal(e)
		z.keep(err)
		z.write(journal, append(b, '\n'))
	}
	z.keep(z.z.Close())
	return z.err
}

// archive writes files until the first error, which it keeps.
type archive struct {
	z   *zip.Writer
	err error
}

func (a *archive) exam(ctx context.Context, s Whole, r *Record) error {
	folder := fmt.Sprintf("exams/%s-%s/", r.Exam.Began.Format("2006-01-02"), r.Exam.ID)
	if w := a.file(folder + "chart.json"); a.err == nil {
		a.keep(chartfile.Encode(w, r.Chart))
	}
	a.json(folder+"findings.json", r.Findings)
	st, err := practice.Fold(ctx, s, r.Exam.ID)
	if err != nil {
		return err
	}
	a.json(folder+"decisions.json", st.Plans)
	log := a.file(folder + "log.jsonl")
	for _, e := range st.Log() {
		b, err := e.Encode()
		a.keep(err)
		a.write(log, append(b, '\n'))
	}
	calls, err := s.Clips(ctx, r.Exam.ID)
	if err != nil {
		return err
	}
	for _, call := range calls {
		wav, err := s.Clip(ctx, r.Exam.ID, call)
		if err != nil {
			a.text(fmt.Sprintf("%sclips/%d.txt", folder, call), "This clip cannot be read: "+err.Error()+"\n")
			continue
		}
		a.write(a.file(fmt.Sprintf("%sclips/%d.wav", folder, call)), wav)
	}
	return nil
}

func (a *archive) keep(err error) {
	if a.err == nil {
		a.err = err
	}
}

func (a *archive) file(name string) io.Writer {
	w, err := a.z.Create(name)
	a.keep(err)
	return w
}

func (a *archive) write(w io.Writer, b []byte) {
	if a.err == nil {
		_, err := w.Write(b)
		a.keep(err)
	}
}

func (a *archive) text(name, text string) { a.write(a.file(name), []byte(text)) }

func (a *archive) json(name string, v any) {
	b, err := json.MarshalIndent(v, "", " ")
	a.keep(err)
	a.write(a.file(name), append(b, '\n'))
}
