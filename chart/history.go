package chart

import "strconv"

// Entry is one value that was entered at a tooth or one of its sites: who entered it, how, and what
// became of it.
type Entry struct {
	CallInfo
	Site  *Site  `json:"site,omitempty"` // nil for a value of the whole tooth
	Field Field  `json:"field"`
	Value string `json:"value"` // as Act.Was writes values; "" not recorded
	Was   string `json:"was"`   // what stood there before
	// Reason and Rival are those of the doubt that the entry raised.
	Reason string `json:"reason,omitempty"`
	Rival  string `json:"rival,omitempty"`
	Amends string `json:"amends,omitempty"` // the reason, if the entry amends what was signed
	// TakenBack is the call that took the entry back, nil if none did.
	TakenBack *CallInfo `json:"taken_back,omitempty"`
}

// History lists, oldest first, everything that was ever entered for a tooth: for the tooth itself and
// for the site, or for all its sites if site is nil.
func (s *State) History(t Tooth, site *Site) []Entry {
	var out []Entry
	calls := make(map[uint64]CallInfo, len(s.Calls))
	for _, c := range s.Calls {
		calls[c.Seq] = c
	}
	same := func(e *Entry, at *Site, f Field) bool {
		return e.Field == f && (e.Site == nil) == (at == nil) && (at == nil || *e.Site == *at)
	}
	// standing is the value of a field before the next entry.
	standing := func(at *Site, f Field) string {
		for i := len(out) - 1; i >= 0; i-- {
			if e := &out[i]; same(e, at, f) && e.TakenBack == nil {
				return e.Value
			}
		}
		return atStart(t, f)
	}
	var amends Event
	for i := range s.log {
		e := &s.log[i]
		at := e.Site
		if e.Kind == KindTooth {
			at = nil // a value of the whole tooth
		}
		here := e.Tooth == t && (site == nil || at == nil || *at == *site)
		switch {
		case e.Kind == KindAmend:
			amends = *e
		case e.Kind == KindUndo:
			by := calls[e.Call]
			for j := range out {
				if out[j].Seq == e.Undo && out[j].TakenBack == nil {
					out[j].TakenBack = &by
				}
			}
		case e.Kind == KindDoubt && here:
			for j := len(out) - 1; j >= 0; j-- {
				if o := &out[j]; same(o, at, e.Field) {
					o.Reason, o.Rival = e.Text, e.Rival
					break
				}
			}
		case (e.Kind == KindSet || e.Kind == KindTooth) && here:
			entry := Entry{CallInfo: calls[e.Call], Site: at, Field: e.Field, Value: written(e), Was: standing(at, e.Field)}
			if e.Call == amends.Call {
				entry.Amends = amends.Text
			}
			out = append(out, entry)
		}
	}
	return out
}

// atStart is the value of a field before anything was entered.
func atStart(t Tooth, f Field) string {
	switch {
	case f != FieldPresence:
		return ""
	case t.ThirdMolar():
		return strconv.Itoa(int(Missing))
	}
	return strconv.Itoa(int(Present))
}

// written is the value of an event as Act.Was writes it.
func written(e *Event) string {
	switch {
	case e.Value == nil:
		return ""
	case e.Field.Length():
		return Half(*e.Value).String()
	}
	return strconv.Itoa(*e.Value)
}

// Writer is the call whose value stands at a field of a site, 0 if nothing does.
func (s *State) Writer(r SiteRef, f Field) uint64 {
	for i := len(s.log) - 1; i >= 0; i-- {
		if e := &s.log[i]; e.Kind == KindSet && e.Tooth == r.Tooth && *e.Site == r.Site && e.Field == f && !s.undone[e.Call] {
			return e.Call
		}
	}
	return 0
}
