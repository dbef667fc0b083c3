package web

import (
	"archive/zip"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"time"

	"leadsman/chart"
	"leadsman/diagnosis"
	"leadsman/practice"
)

// Dossier is where all that is kept of a patient comes from.
type Dossier struct {
	Practice Practice
	Clips    Clips
	Journal  func(ctx context.Context, q practice.JournalQuery) ([]practice.Entry, error)
	// Pseudonym gives a patient a name for teaching, the same each time, and by how much dates are moved back.
	Pseudonym func(patient string) (name string, back time.Duration)
}

// Write writes a ZIP archive of all that is kept of a patient: the record, of every exam the chart file, the findings, the decisions,
// the log and the sound clips, and the journal. An exam that cannot be read is named in it and keeps no other out.
func (d *Dossier) Write(ctx context.Context, w io.Writer, patient string) error {
	p, err := d.Practice.Patient(ctx, patient)
	if err != nil {
		return err
	}
	return d.write(ctx, w, patient, true, func(z *archive, exams func(each func(r *record, f *diagnosis.Findings, folder string) error) error) error {
		z.text("read-me.txt", fmt.Sprintf(`All that is kept of %s (%s).

patient.json            the record
exams/DAY-ID/chart.json     the chart as it stands (schema leadsman.chart/1)
exams/DAY-ID/findings.json  what the rules make of it (schema leadsman.findings/1)
exams/DAY-ID/decisions.json what was decided about therapy and recall, oldest first
exams/DAY-ID/log.jsonl      every entry that was made, oldest first, one a line
exams/DAY-ID/clips/N.wav    the sound of call N
journal.jsonl           who changed or read the record, newest first, one a line

Decision support for licensed clinicians; it does not diagnose by itself.
`, p.Name, p.ID))
		z.json("patient.json", p)
		err := exams(func(r *record, f *diagnosis.Findings, folder string) error {
			c := r.state.Chart
			c.ID, c.Exam = r.ID, origin(r)
			z.chart(folder+"chart.json", &c)
			f.ID, f.Exam = c.ID, c.Exam
			z.json(folder+"findings.json", f)
			z.json(folder+"decisions.json", r.state.Plans)
			log := z.file(folder + "log.jsonl")
			for _, e := range r.state.Log() {
				b, err := e.Encode()
				z.keep(err)
				z.write(log, append(b, '\n'))
			}
			if d.Clips == nil {
				return nil
			}
			list, err := d.Clips.Clips(ctx, r.ID)
			if err != nil {
				return err
			}
			for _, call := range list.Calls {
				wav, err := d.Clips.Clip(ctx, r.ID, call)
				if err != nil {
					z.text(fmt.Sprintf("%sclips/%d.txt", folder, call), "This clip cannot be read: "+err.Error()+"\n")
					continue
				}
				z.write(z.file(fmt.Sprintf("%sclips/%d.wav", folder, call)), wav)
			}
			return nil
		})
		if err != nil {
			return err
		}
		es, err := d.Journal(ctx, practice.JournalQuery{Patient: patient})
		if err != nil {
			return err
		}
		journal := z.file("journal.jsonl")
		for _, e := range es {
			b, err := json.Marshal(e)
			z.keep(err)
			z.write(journal, append(b, '\n'))
		}
		return nil
	})
}

// oldest is the age above which ages are told as "at least": 45 CFR 164.514(b)(2)(i)(C) takes ages over 89 together (from memory).
const oldest = 90

// Teaching writes a ZIP archive of a patient's charts and findings for teaching: under a pseudonym, with all days moved back by the same
// span, and without what may lead back to a person: names, numbers, notes, remarks, decisions in words, sound, and the journal.
func (d *Dossier) Teaching(ctx context.Context, w io.Writer, patient string) error {
	name, back := d.Pseudonym(patient)
	day := func(ms int64) string { return time.UnixMilli(ms).Add(-back).UTC().Format(time.DateOnly) }
	n := 0
	return d.write(ctx, w, patient, false, func(z *archive, exams func(each func(r *record, f *diagnosis.Findings, folder string) error) error) error {
		z.text("read-me.txt", fmt.Sprintf(`%s: charts and findings for teaching.

Names, numbers, notes, remarks, decisions and sound are left out; days are moved by a span that stays the same for this patient, so that the
time between exams is right. A rare mouth can be recognised all the same: use it where the rules of the practice and the law allow it.
`, name))
		return exams(func(r *record, f *diagnosis.Findings, _ string) error {
			n++
			c := r.state.Chart
			if a := c.Patient.Age; a != nil && *a > oldest {
				top := oldest
				c.Patient.Age = &top
			}
			c.Patient.ProbingConditions, c.Patient.Probe = "", ""
			if t := dayOf(c.Patient.TherapyFinished); !t.IsZero() {
				c.Patient.TherapyFinished = t.Add(-back).Format(time.DateOnly)
			}
			began := day(r.Began) + "T00:00:00Z"
			c.ID, c.Exam = fmt.Sprintf("%s-%d", name, n), chart.Origin{Began: began, Kind: r.Kind}
			folder := fmt.Sprintf("exams/%d-%s/", n, day(r.Began))
			z.chart(folder+"chart.json", &c)
			f.ID, f.Exam = c.ID, c.Exam
			z.json(folder+"findings.json", f)
			return nil
		})
	})
}

// write fills an archive. Exams that cannot be read are named in it, or left out.
func (d *Dossier) write(ctx context.Context, w io.Writer, patient string, named bool,
	fill func(z *archive, exams func(each func(r *record, f *diagnosis.Findings, folder string) error) error) error) error {
	s := &server{Options: Options{Practice: d.Practice}}
	all, err := s.Practice.Visits(ctx, patient)
	if err != nil {
		return err
	}
	z := &archive{z: zip.NewWriter(w)}
	err = fill(z, func(each func(r *record, f *diagnosis.Findings, folder string) error) error {
		for i := len(all) - 1; i >= 0; i-- { // the oldest first
			v := all[i]
			folder := fmt.Sprintf("exams/%s-%s/", v.Day().Format(time.DateOnly), v.ID)
			r, err := s.record(ctx, v.ID)
			var f diagnosis.Findings
			if err == nil {
				f, _, err = s.assessed(ctx, &r, all)
			}
			if ctx.Err() != nil {
				return ctx.Err()
			}
			if err != nil {
				if named {
					z.text(folder+"damaged.txt", "This exam cannot be read: "+err.Error()+"\n")
				}
				continue
			}
			if err := each(&r, &f, folder); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	z.keep(z.z.Close())
	return z.err
}

// origin is where the chart of an exam comes from.
func origin(r *record) chart.Origin {
	o := chart.Origin{Began: time.UnixMilli(r.Began).UTC().Format(time.RFC3339), Kind: r.Kind, Probe: r.state.Chart.Patient.Probe, SignedBy: r.state.SignedBy}
	for _, sig := range r.state.Signatures {
		if !sig.Co {
			o.Signed, o.Examiner = time.UnixMilli(sig.Time).UTC().Format(time.RFC3339), sig.Who
		}
	}
	for _, d := range r.state.OpenDoubts() {
		o.Doubts = append(o.Doubts, chart.DoubtAt{SiteRef: d.SiteRef, Field: d.Field})
	}
	return o
}

// archive writes files until the first error, which it keeps.
type archive struct {
	z   *zip.Writer
	err error
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

func (a *archive) chart(name string, c *chart.Chart) {
	w := a.file(name)
	if a.err == nil {
		a.keep(chart.Encode(w, c))
	}
}
