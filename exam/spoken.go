package exam

import (
	"context"
	"slices"

	"leadsman/chart"
	"leadsman/exam/hear"
	"leadsman/speech"
)

// Free speech behind "remark" is kept as its sound: no recognizer here reads words that are no call.
const remarkText = "sound clip"

// remarkMS is how long the speech of a remark may wait after the word alone; what comes later is a call again. As long as a
// question stays open.
const remarkMS = askForMS

// remarkOf makes a remark of the call "remark" if free speech follows in the same breath.
func remarkOf(c *chart.Command, h speech.Hypothesis) {
	free := slices.ContainsFunc(h.Readings, func(r speech.Reading) bool { return r.Free })
	if last := &c.Acts[len(c.Acts)-1]; free && last.Verb == chart.VerbRemark {
		last.Text = remarkText
	}
}

// remarks reports whether speech is that of a remark.
func (e *Exam) remarks(h speech.Hypothesis) bool { return h.StartMS < e.stream.remarkMS }

// keepRemark stores the speech after "remark" beside the place.
func (e *Exam) keepRemark(ctx context.Context, h speech.Hypothesis) error {
	e.stream.remarkMS = 0
	text := remarkText
	if len(h.Readings) > 0 && !h.Rejected {
		text = h.Readings[0].Text()
	}
	_, err := e.perform(ctx, chart.Command{Acts: []chart.Act{{Verb: chart.VerbRemark, Text: text}}},
		e.speaker.said(chart.Meta{Source: chart.Voice, StartMS: h.StartMS, EndMS: h.EndMS}), nil)
	return err
}

// Done is closed once the exam has ended.
func (e *Exam) Done() <-chan struct{} { return e.done }

// hears takes the voice that will be heard: the name of its examiner, which stands beside what is spoken, and how he calls numbers. Of
// anybody's voice nothing is known.
func (e *Exam) hears(voice string) {
	e.keepRhythm()
	var speaker Caller
	if voice != "" && e.cfg.Examiner != nil {
		speaker = e.cfg.Examiner(voice)
	}
	var rhythm hear.Rhythm
	kept := voice != "" && e.cfg.Rhythm != nil
	if kept {
		rhythm = e.cfg.Rhythm(voice)
	}
	_ = e.run(func() {
		if kept || voice != e.voice {
			e.rhythm = rhythm
		}
		e.voice, e.speaker = voice, speaker
	})
}

// keepRhythm hands out how the examiner that is heard calls numbers. The owner does not wait for whoever keeps it.
func (e *Exam) keepRhythm() {
	var voice string
	var rhythm hear.Rhythm
	if e.run(func() { voice, rhythm = e.voice, e.rhythm }) == nil && voice != "" && rhythm != (hear.Rhythm{}) && e.cfg.KeepRhythm != nil {
		e.cfg.KeepRhythm(voice, rhythm)
	}
}
