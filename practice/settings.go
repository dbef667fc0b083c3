package practice

import (
	"context"
	"strconv"

	"leadsman/chart"
)

// Settings are the practice's defaults.
type Settings struct {
	Practice  string          `json:"practice"` // name, for prints
	Numbering chart.Numbering `json:"numbering"`
	Path      string          `json:"path"`
	SiteWords string          `json:"site_words"` // buccal-lingual or facial-palatal: how rows are named on screen
	KeepClips bool            `json:"keep_clips"` // sound of calls stays after an exam is signed
	Phone     string          `json:"phone"`      // for what patients are given
	Emergency string          `json:"emergency"`  // number to call in an emergency, likewise
	Language  string          `json:"language"`   // of what patients are given: a tag such as en
	Paper     string          `json:"paper"`      // a4 or letter
	// Retention is for how many years records are kept after the last signed exam; nil in a change leaves it as it is.
	Retention *int  `json:"retention_years"`
	Version   int64 `json:"version"` // as for Patient
}

// Keys of the practice's settings in the records.
const (
	keyPractice  = "practice"
	keyNumbering = "numbering"
	keyPath      = "path"
	keySiteWords = "site_words"
	keyKeepClips = "keep_clips" // not empty: sound stays after signing
	keyPhone     = "phone"
	keyEmergency = "emergency"
	keyLanguage  = "language"
	keyPaper     = "paper"
	keyVersion   = "version"
)

func (p *Practice) Settings(ctx context.Context) (Settings, error) {
	kv, err := p.records.Settings(ctx, "")
	s := Settings{Practice: kv[keyPractice], Numbering: chart.Numbering(kv[keyNumbering]), Path: kv[keyPath], SiteWords: kv[keySiteWords],
		KeepClips: kv[keyKeepClips] != "", Phone: kv[keyPhone], Emergency: kv[keyEmergency], Language: kv[keyLanguage], Paper: kv[keyPaper]}
	if s.Language == "" {
		s.Language = "en"
	}
	if s.Paper == "" {
		s.Paper = "a4"
	}
	if s.Numbering == "" {
		s.Numbering = chart.Universal
	}
	if s.Path == "" {
		s.Path = chart.Paths()[0].Name
	}
	if s.SiteWords == "" {
		s.SiteWords = "buccal-lingual"
	}
	s.Version, _ = strconv.ParseInt(kv[keyVersion], 10, 64)
	if err == nil {
		var years int
		years, err = retention(kv)
		s.Retention = &years
	}
	return s, err
}

func (p *Practice) SaveSettings(ctx context.Context, s Settings) (Settings, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	now, err := p.Settings(ctx)
	if err != nil {
		return s, err
	}
	if now.Version != s.Version {
		return s, ErrConflict
	}
	if s.Retention != nil {
		if err := checkRetention(*s.Retention); err != nil {
			return s, err
		}
	} else {
		s.Retention = now.Retention
	}
	s.Version++
	keep := ""
	if s.KeepClips {
		keep = "yes"
	}
	err = p.records.SetSettings(ctx, "", map[string]string{keyPractice: s.Practice, keyNumbering: string(s.Numbering), keyPath: s.Path,
		keySiteWords: s.SiteWords, keyKeepClips: keep, keyPhone: s.Phone, keyEmergency: s.Emergency, keyLanguage: s.Language, keyPaper: s.Paper, keyRetention: strconv.Itoa(*s.Retention), keyVersion: strconv.FormatInt(s.Version, 10)})
	return s, err
}

// Name gives a practice that has no settings yet its name.
func Name(ctx context.Context, r Records, name string) error {
	return r.SetSettings(ctx, "", map[string]string{keyPractice: name, keyVersion: "1"})
}

// Letterhead is what stands on what leaves the practice.
type Letterhead struct{ Name, Phone, Emergency, Language, Paper string }

// LetterheadOf reads it from the practice's settings.
func LetterheadOf(ctx context.Context, r interface {
	Settings(ctx context.Context, scope string) (map[string]string, error)
}) (Letterhead, error) {
	kv, err := r.Settings(ctx, "")
	return Letterhead{Name: kv[keyPractice], Phone: kv[keyPhone], Emergency: kv[keyEmergency], Language: kv[keyLanguage], Paper: kv[keyPaper]}, err
}
