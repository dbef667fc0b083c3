//go:build cgo

package ctc

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"leadsman/speech"
	"leadsman/tests/recordings"
)

// takesOf are the calls of a recording, cut out with a quarter second around them.
func takesOf(r recordings.Recording, n int) []speech.Take {
	var takes []speech.Take
	for _, c := range r.Calls[:n] {
		a, b := max(0, int((c.Start-0.25)*speech.Rate)), min(len(r.PCM), int((c.End+0.25)*speech.Rate))
		takes = append(takes, speech.Take{Words: strings.Fields(c.Words), PCM: r.PCM[a:b]})
	}
	return takes
}

func clipTakes(t *testing.T, set string) []speech.Take {
	clips, err := recordings.Clips(set)
	if err != nil {
		t.Fatal(err)
	}
	pause := make([]int16, speech.Rate/4)
	var takes []speech.Take
	for _, c := range clips {
		takes = append(takes, speech.Take{Words: strings.Fields(c.Words), PCM: slices.Concat(pause, c.PCM, pause)})
	}
	return takes
}

// rightBy counts the takes heard word for word with a profile; nil is none. Each is heard once, as a whole.
func rightBy(t *testing.T, e *Engine, profile []byte, takes []speech.Take) (right int) {
	var v voice
	if profile != nil {
		var err error
		if v, err = e.readProfile(profile); err != nil {
			t.Fatal(err)
		}
	}
	for _, k := range takes {
		g, err := e.graphs.get(digitNet(1, len(k.Words)), e.lex)
		if err != nil {
			t.Fatal(err)
		}
		n, of, err := e.listen(k.PCM)
		if err != nil {
			t.Fatal(err)
		}
		r := reader{e: e, g: g, s: newSearch(e.opt.Beam, e.opt.MaxTokens)}
		r.f.score(v, &take{of: of, frames: n})
		if strings.ReplaceAll(strings.Join(r.hear(r.f.logp).words, " "), "oh", "zero") == strings.Join(k.Words, " ") {
			right++
		}
	}
	return right
}

// A speaker with an accent (Free Spoken Digit Dataset, nicolas, CC BY-SA 4.0) is heard better with his profile, on groups of digits that he
// did not enrol with.
func TestEnrol(t *testing.T) {
	e := openEngine(t)
	defer e.Close()
	groups := clipTakes(t, "nicolas-groups")
	learn, test := groups[:24], groups[30:]
	got, err := e.Enrol(context.Background(), nil, learn)
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%d of %d held-back words misheard without the profile, %d with it; %.1f s", got.WrongBefore, got.Words, got.WrongAfter, got.Seconds)
	if got.Profile == nil {
		t.Fatalf("no profile: %s", got.Why)
	}
	before, after := rightBy(t, e, nil, test), rightBy(t, e, got.Profile, test)
	t.Logf("groups right: %d of %d without the profile, %d with it", before, len(test), after)
	if after < before {
		t.Errorf("heard worse with the profile: %d groups right, %d without", after, before)
	}
	if got := texts(hearWith(t, recognizerFor(t, e, got.Profile), digitNet(1, 3), test[0].PCM)); got == "" {
		t.Error("a recognizer with the profile hears nothing")
	}
}

// A profile is learned on top of another one, and has to do better than that.
func TestEnrolOnto(t *testing.T) {
	e := openEngine(t)
	defer e.Close()
	groups := clipTakes(t, "nicolas-groups")
	first, err := e.Enrol(context.Background(), nil, groups[:leastTake])
	if err != nil || first.Profile == nil || first.Onto {
		t.Fatalf("%+v, %v", first, err)
	}
	more, err := e.Enrol(context.Background(), first.Profile, groups[leastTake:26])
	if err != nil {
		t.Fatal(err)
	}
	without, err := e.Enrol(context.Background(), nil, groups[leastTake:26])
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%d of %d words misheard, %.3f a phone with the first profile, %.3f without; %d, %.3f with one on top: %q", more.WrongBefore, more.Words, more.CostBefore, without.CostBefore, more.WrongAfter, more.CostAfter, more.Why)
	if !more.Onto || more.CostBefore >= without.CostBefore {
		t.Errorf("it is compared with %.3f, the general model has %.3f", more.CostBefore, without.CostBefore)
	}
	if _, err := e.Enrol(context.Background(), []byte("nonsense"), groups[:leastTake]); !errors.Is(err, speech.ErrProfile) {
		t.Errorf("on top of nonsense: %v", err)
	}
}

// A voice that is understood already gets no profile, and the reason is said.
func TestEnrolNotNeeded(t *testing.T) {
	e := openEngine(t)
	defer e.Close()
	got, err := e.Enrol(context.Background(), nil, takesOf(load(t, "fullmouth-joe"), leastTake))
	if err != nil {
		t.Fatal(err)
	}
	if got.Profile != nil || !strings.Contains(got.Why, "as well without a profile") {
		t.Errorf("profile of %d bytes, %q", len(got.Profile), got.Why)
	}
}

func recognizerFor(t *testing.T, e *Engine, profile []byte) speech.Recognizer {
	t.Helper()
	r, err := e.NewRecognizerFor(profile)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// What cannot be learned from is refused with a sentence that says why.
func TestEnrolRefuses(t *testing.T) {
	e := openEngine(t)
	defer e.Close()
	good := takesOf(load(t, "fullmouth-joe"), 16)
	with := func(f func(i int, k *speech.Take)) []speech.Take {
		out := slices.Clone(good)
		for i := range out {
			f(i, &out[i])
		}
		return out
	}
	rng := rand.New(rand.NewPCG(8, 8))
	chatter := load(t, "chatter").PCM
	for _, c := range []struct {
		name, want string
		takes      []speech.Take
	}{
		{"none", "too few", nil},
		{"few", "too few", good[:5]},
		{"silence", "no speech", with(func(_ int, k *speech.Take) { k.PCM = make([]int16, speech.Rate) })},
		{"noise", "only 0 of 16", with(func(_ int, k *speech.Take) {
			k.PCM = make([]int16, speech.Rate)
			for i := range k.PCM {
				k.PCM[i] = int16(rng.NormFloat64() * 2000)
			}
		})},
		{"the words of other lines", "fit their words", with(func(i int, k *speech.Take) { k.Words = good[(i+5)%len(good)].Words })},
		{"read sentences", "fit their words", with(func(i int, k *speech.Take) { k.PCM = chatter[i*3*speech.Rate : (i+1)*3*speech.Rate] })},
		{"too long", "too long", with(func(i int, k *speech.Take) { k.PCM = chatter[:10*speech.Rate] })},
		{"without words", "without words", with(func(_ int, k *speech.Take) { k.Words = nil })},
	} {
		got, err := e.Enrol(context.Background(), nil, c.takes)
		var refused *speech.TakesError
		if !errors.As(err, &refused) || !strings.Contains(refused.Text, c.want) || strings.Contains(refused.Text, "\n") {
			t.Errorf("%s: %v, want one line with %q", c.name, err, c.want)
		}
		if got.Profile != nil {
			t.Errorf("%s: there is a profile", c.name)
		}
	}
	var lacks *speech.VocabularyError
	if _, err := e.Enrol(context.Background(), nil, with(func(_ int, k *speech.Take) { k.Words = []string{"quux"} })); !errors.As(err, &lacks) {
		t.Errorf("a word without pronunciation: %v", err)
	}
	fit, err := e.Check(speech.Take{Words: good[0].Words, PCM: good[0].PCM})
	if err != nil || !fit.OK || fit.Heard != strings.Join(good[0].Words, " ") {
		t.Errorf("a good take: %+v, %v", fit, err)
	}
	if fit, err = e.Check(speech.Take{Words: []string{"bleeding", "mesial"}, PCM: good[0].PCM}); err != nil || fit.OK || fit.Why == "" {
		t.Errorf("other words: %+v, %v", fit, err)
	}
}

// The adapted model is left out when it does not help the words held back.
func TestVerdict(t *testing.T) {
	base := speech.Enrolment{Takes: 30, Words: 90, WrongBefore: 6, WrongAfter: 2, SureBefore: 20, SureAfter: 20, CostBefore: 0.4, CostAfter: 0.1, FalseBefore: 1, FalseAfter: 1}
	for _, c := range []struct {
		name   string
		change func(*speech.Enrolment)
		want   string
	}{
		{"helps", func(*speech.Enrolment) {}, ""},
		{"as many words, much surer", func(o *speech.Enrolment) { o.WrongAfter = 6 }, ""},
		{"fewer words wrong, hardly surer", func(o *speech.Enrolment) { o.CostAfter = 0.39 }, ""},
		{"more words wrong", func(o *speech.Enrolment) { o.WrongAfter = 7 }, "misheard 7 of 90"},
		{"nothing to gain", func(o *speech.Enrolment) { o.WrongBefore, o.WrongAfter, o.CostBefore, o.CostAfter = 0, 0, 0.004, 0.001 }, "as well without"},
		{"as many words, hardly surer", func(o *speech.Enrolment) { o.WrongAfter, o.CostAfter = 6, 0.39 }, "as well without"},
		{"nothing wrong, hardly cheaper, but surer", func(o *speech.Enrolment) { o.WrongBefore, o.WrongAfter, o.CostAfter, o.SureAfter = 0, 0, 0.39, 24 }, ""},
		{"takes anything for a word", func(o *speech.Enrolment) { o.FalseAfter = 5 }, "not said"},
		{"more than with the former profile", func(o *speech.Enrolment) { o.Onto, o.WrongAfter = true, 7 }, "the profile so far 6"},
		{"nothing to gain on top of it", func(o *speech.Enrolment) { o.Onto, o.WrongAfter, o.CostAfter = true, 6, 0.39 }, "as well with the profile so far"},
	} {
		o := base
		c.change(&o)
		if got := verdict(o); (got == "") != (c.want == "") || !strings.Contains(got, c.want) {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}

// A profile is read back as it was written, and nothing else is: not damaged, not of another model, not any bytes at all.
func TestProfileFile(t *testing.T) {
	e := openEngine(t)
	defer e.Close()
	v := voice{newChange(e.symbols(), e.net.width), newChange(e.symbols(), e.second.width)}
	v[0].w[7], v[1].b[3] = 0.25, -1
	file := e.profile(v)
	got, err := e.readProfile(file)
	if err != nil || !slices.Equal(got.bytes(), v.bytes()) || got[0].w[7] != 0.25 || got[1].b[3] != -1 {
		t.Fatalf("read back: %v", err)
	}
	former := append([]byte(formerMark), file[len(formerMark):len(file)-sha256.Size]...)
	sum := sha256.Sum256(former)
	if _, err := e.readProfile(append(former, sum[:]...)); !errors.Is(err, speech.ErrOtherModel) {
		t.Errorf("of a former version: %v", err)
	}
	other := *e
	other.model[0] ^= 1
	if _, err := other.readProfile(file); !errors.Is(err, speech.ErrOtherModel) || !strings.Contains(err.Error(), "enrol again") {
		t.Errorf("of another model: %v", err)
	}
	if _, err := other.NewRecognizerFor(file); !errors.Is(err, speech.ErrOtherModel) {
		t.Errorf("recognizer for it: %v", err)
	}
	v[0].w[0] = 1e30
	if _, err := e.readProfile(e.profile(v)); !errors.Is(err, speech.ErrProfile) {
		t.Errorf("with a senseless weight: %v", err)
	}
	for _, bad := range [][]byte{nil, []byte(profileMark), file[:len(file)-1], append(slices.Clone(file), 0), bytes.Repeat([]byte{0}, len(file))} {
		if _, err := e.readProfile(bad); !errors.Is(err, speech.ErrProfile) {
			t.Errorf("%d bytes: %v", len(bad), err)
		}
	}
}

func FuzzProfile(f *testing.F) {
	e := &Engine{net: &network{symbols: 3, width: 2}, second: &network{symbols: 3, width: 1}}
	file := e.profile(smallVoice(rand.New(rand.NewPCG(1, 1)), 3, 2, 1))
	f.Add(file)
	f.Add(file[:60])
	f.Fuzz(func(t *testing.T, data []byte) {
		v, err := e.readProfile(data)
		if err == nil && !bytes.Equal(e.profile(v), data) {
			t.Error("read, but not what is written")
		}
	})
}
