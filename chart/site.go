package chart

import (
	"fmt"
	"strings"
)

// Aspect is one of the two rows of sites of a tooth.
type Aspect uint8

const (
	Buccal  Aspect = iota // facial: towards cheek or lip
	Lingual               // oral: towards tongue or palate
)

// String is "buccal" or "lingual".
func (a Aspect) String() string {
	if a == Lingual {
		return "lingual"
	}
	return "buccal"
}

// parseAspect reads an aspect by any of its names.
func parseAspect(s string) (Aspect, error) {
	switch strings.ToLower(strings.TrimSpace(s)) {
	case "buccal", "facial", "labial", "b", "f":
		return Buccal, nil
	case "lingual", "palatal", "oral", "l", "p":
		return Lingual, nil
	}
	return 0, fmt.Errorf("aspect %q: use buccal or lingual", s)
}

// Site is one of the six probing sites of a tooth.
type Site uint8

const (
	DB Site = iota // disto-buccal
	B              // mid-buccal
	MB             // mesio-buccal
	DL             // disto-lingual
	L              // mid-lingual
	ML             // mesio-lingual
	NumSites
)

var siteKeys = [NumSites]string{"DB", "B", "MB", "DL", "L", "ML"}

// String is the key used in files.
func (s Site) String() string {
	if s >= NumSites {
		return "?"
	}
	return siteKeys[s]
}

// ParseSite reads a site key (DB B MB DL L ML).
func ParseSite(k string) (Site, error) {
	for i, n := range siteKeys {
		if n == k {
			return Site(i), nil
		}
	}
	return 0, fmt.Errorf("site %q: use one of DB B MB DL L ML", k)
}

// Aspect is the row that the site belongs to.
func (s Site) Aspect() Aspect { return Aspect(s / 3) }

// Interdental reports whether the site faces a neighbouring tooth (mesial or distal).
func (s Site) Interdental() bool { return s != B && s != L }

// Where names a site within an aspect.
type Where uint8

const (
	Distal Where = iota
	Mid
	Mesial
)

// String is the spoken word.
func (w Where) String() string { return [...]string{"distal", "mid", "mesial"}[w] }

// Where is the place of the site within its aspect.
func (s Site) Where() Where { return Where(s % 3) }

// SiteAt is the site of an aspect.
func SiteAt(a Aspect, w Where) Site { return Site(uint8(a)*3 + uint8(w)) }

// SiteRef is a site of a tooth.
type SiteRef struct {
	Tooth Tooth `json:"tooth"`
	Site  Site  `json:"site"`
}

// Place is the aspect that the site lies on.
func (r SiteRef) Place() Place { return Place{r.Tooth, r.Site.Aspect()} }

// String is like "16.DB".
func (r SiteRef) String() string { return r.Tooth.String() + "." + r.Site.String() }

// MarshalText and UnmarshalText write sites by their keys in JSON.
func (s Site) MarshalText() ([]byte, error) {
	if s >= NumSites {
		return nil, fmt.Errorf("site %d: none such", s)
	}
	return []byte(siteKeys[s]), nil
}
func (s *Site) UnmarshalText(b []byte) (err error) { *s, err = ParseSite(string(b)); return err }

func (a Aspect) MarshalText() ([]byte, error)        { return []byte(a.String()), nil }
func (a *Aspect) UnmarshalText(b []byte) (err error) { *a, err = parseAspect(string(b)); return err }
