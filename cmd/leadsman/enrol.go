package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"

	"leadsman/practice"
	"leadsman/speech"
	"leadsman/voice"
)

// runEnrol makes a voice profile from recordings of somebody who reads a script.
func runEnrol(args []string, stdout, stderr io.Writer) int {
	fs := flags("enrol", stderr)
	script := fs.String("script", "", "file of the lines that are read, one a line (default: the script of the Practise page)")
	show := fs.Bool("print-script", false, "print the script of the Practise page and end")
	name := fs.String("examiner", "", "keep the profile with this examiner, who is added if there is none of the name")
	data := addDataFlags(fs, defaultData())
	out := fs.String("out", "", "write the profile to this file")
	asJSON := fs.Bool("json", false, "print one JSON object")
	ef := addEngineFlags(fs)
	rest, status, done := parse(fs, args)
	if done {
		return status
	}
	lines, err := scriptIn(*script)
	if err != nil {
		return fail(stderr, exitInput, "enrol: --script: %v", err)
	}
	if *show {
		fmt.Fprintln(stdout, strings.Join(lines, "\n"))
		return exitOK
	}
	if len(rest) == 0 {
		return fail(stderr, exitInput, "enrol takes recordings of the script: leadsman enrol FILE.wav --examiner NAME (--print-script shows what to read)")
	}
	pcm, err := oneAfterAnother(rest)
	if err == nil {
		ef.own, err = practice.OpenWords(ef.words, "")
	}
	if err != nil {
		return fail(stderr, exitInput, "enrol: %v", err)
	}
	engine, err := openEngine(*ef)
	if err != nil {
		return fail(stderr, engineStatus(*ef, err), "enrol: %v", err)
	}
	defer engine.Close()
	a, ok := engine.(speech.Adapter)
	if !ok {
		return fail(stderr, exitInput, "enrol: engine %q cannot learn voices: use ctc", ef.name)
	}
	got, err := learn(a, pcm, lines)
	if err != nil {
		return fail(stderr, enrolStatus(err), "enrol: %v", err)
	}
	if got.Profile != nil && *out != "" {
		err = os.WriteFile(*out, got.Profile, 0o600)
	}
	if err == nil && got.Profile != nil && *name != "" {
		err = keepFor(data, *name, engine.Name(), got)
	}
	if err != nil {
		return fail(stderr, storeStatus(err), "enrol: %v", err)
	}
	if !*asJSON {
		printEnrolment(stdout, got, *name, *out)
	} else if err := json.NewEncoder(stdout).Encode(got); err != nil {
		return fail(stderr, exitTool, "enrol: %v", err)
	}
	return exitOK
}

// scriptIn gives the lines of a script; "" stands for that of the Practise page.
func scriptIn(file string) ([]string, error) {
	if file == "" {
		return voice.Script(), nil
	}
	text, err := os.ReadFile(file)
	return strings.Split(string(text), "\n"), err
}

// oneAfterAnother reads recordings, with a second of silence behind each.
func oneAfterAnother(files []string) (pcm []int16, err error) {
	for _, path := range files {
		p, _, err := speech.ReadWAVFile(path)
		if err != nil {
			return nil, err
		}
		pcm = slices.Concat(pcm, p, make([]int16, speech.Rate))
	}
	return pcm, nil
}

// learn finds the lines of a script in the sound and makes a profile of them.
func learn(a speech.Adapter, pcm []int16, lines []string) (got speech.Enrolment, err error) {
	takes, left, err := voice.Cut(a, pcm, lines)
	if err != nil {
		return got, err
	}
	got, err = a.Enrol(context.Background(), nil, takes)
	if err != nil && len(left) > 0 {
		err = fmt.Errorf("%w (%d lines of the script were found in the sound, %d were not, the first of them %q)", err, len(takes), len(left), left[0])
	}
	got.Left += len(left)
	return got, err
}

// printEnrolment says what was learned, and where it is kept: with an examiner of a name, or in the file out.
func printEnrolment(w io.Writer, got speech.Enrolment, name, out string) {
	fmt.Fprintf(w, "%d lines learned, %d left out. Of %d words held back, %d were misheard without the profile and %d with it.\n", got.Takes, got.Left, got.Words, got.WrongBefore, got.WrongAfter)
	if got.Profile == nil {
		fmt.Fprintf(w, "No profile is kept: %s.\n", got.Why)
		return
	}
	switch {
	case name != "":
		fmt.Fprintf(w, "The voice profile is kept with %s. ", name)
	case out == "":
		fmt.Fprint(w, "The profile would help; --examiner NAME or --out FILE keeps it. ")
	}
	fmt.Fprintln(w, "A voice profile is personal data: the Practise page exports and erases it.")
}

// enrolStatus: recordings and scripts are the input's fault.
func enrolStatus(err error) int {
	var takes *speech.TakesError
	var words *speech.VocabularyError
	if errors.As(err, &takes) || errors.As(err, &words) {
		return exitInput
	}
	return exitTool
}

// keepFor stores a profile with the examiner of a name.
func keepFor(data *dataFlags, name, engine string, got speech.Enrolment) error {
	ctx := context.Background()
	st, err := data.change(ctx)
	if err != nil {
		return err
	}
	defer st.Close()
	es, err := st.People(ctx)
	if err != nil {
		return err
	}
	i := slices.IndexFunc(es, func(e practice.Person) bool { return strings.EqualFold(e.Name, strings.TrimSpace(name)) })
	e := practice.Person{Name: name, Roles: []practice.Role{practice.Clinician}}
	if i >= 0 {
		e = es[i]
	}
	e.Retired = false // who enrols is here
	if e, err = st.PutPerson(ctx, e); err != nil {
		return err
	}
	return practice.KeepVoice(st, e.ID, engine, got)
}

// voiced is an engine whose recognizers all listen with one voice profile.
type voiced struct {
	speech.Adapter
	profile []byte
}

func (v voiced) NewRecognizer() (speech.Recognizer, error) { return v.NewRecognizerFor(v.profile) }

// withVoice gives an engine the profile in a file.
func withVoice(engine speech.Engine, path string) (speech.Engine, error) {
	profile, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	a, ok := engine.(speech.Adapter)
	if !ok {
		return nil, fmt.Errorf("%s: this engine knows no voice profiles", path)
	}
	v := voiced{a, profile}
	rec, err := v.NewRecognizer()
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return v, rec.Close()
}
