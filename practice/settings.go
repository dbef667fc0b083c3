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
	Version   int64           `json:"version"`    // as for Patient
}

// Keys of the practice's settings in the records.
const (
	keyPractice  = "practice"
	keyNumbering = "numbering"
	keyPath      = "path"
	keySiteWords = "site_words"
	keyKeepClips = "keep_clips" // not empty: sound stays after signing
	keyVersion   = "version"
)

func (p *Practice) Settings(ctx context.Context) (Settings, error) {
	kv, err := p.records.Settings(ctx, "")
	s := Settings{Practice: kv[keyPractice], Numbering: chart.Numbering(kv[keyNumbering]), Path: kv[keyPath], SiteWords: kv[keySiteWords],
		KeepClips: kv[keyKeepClips] != ""}
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
	s.Version++
	keep := ""
	if s.KeepClips {
		keep = "yes"
	}
	err = p.records.SetSettings(ctx, "", map[string]string{keyPractice: s.Practice, keyNumbering: string(s.Numbering), keyPath: s.Path,
		keySiteWords: s.SiteWords, keyKeepClips: keep, keyVersion: strconv.FormatInt(s.Version, 10)})
	return s, err
}

// Name gives a practice that has no settings yet its name.
func Name(ctx context.Context, r Records, name string) error {
	return r.SetSettings(ctx, "", map[string]string{keyPractice: name, keyVersion: "1"})
}

// NameOf is the name of the practice, for what leaves it.
func NameOf(ctx context.Context, r interface {
	Settings(ctx context.Context, scope string) (map[string]string, error)
}) (string, error) {
	kv, err := r.Settings(ctx, "")
	return kv[keyPractice], err
}
