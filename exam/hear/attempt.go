package hear

import (
	"slices"

	"leadsman/chart"
)

// Attempt is what was called of the place spoken last, as the log has it.
type Attempt struct {
	Place chart.Place
	Field chart.Field
	Calls []uint64        // the calls that brought its numbers or changed them since; oldest first
	Sites []chart.SiteRef // that have a number of it, in walking order
	Mixed bool            // one of the calls brought numbers of another place too
	Here  bool            // the place is the one under the cursor, and not full
}

// Known reports whether there is such a place.
func (a *Attempt) Known() bool { return len(a.Sites) > 0 }

// AttemptOf finds the place spoken last.
func AttemptOf(s *chart.State) (a Attempt) {
	n := len(s.Recent)
	if n == 0 {
		return a
	}
	last := s.Recent[n-1]
	a.Place, a.Field = last.Place(), last.Field
	inside := func(ev chart.Event) bool { return ev.Tooth == a.Place.Tooth && ev.Site.Aspect() == a.Place.Aspect }
	for i := len(s.Calls) - 1; i >= 0; i-- {
		c := s.Calls[i]
		if c.Undone || c.Refused != "" {
			continue
		}
		here, elsewhere, jump := false, false, false
		var sites []chart.SiteRef
		for _, ev := range s.CallEvents(c.Seq) {
			switch {
			case ev.Kind == chart.KindMove && ev.Jump:
				jump = true
			case ev.Kind != chart.KindSet:
			case !inside(ev):
				elsewhere = elsewhere || ev.Sounding
			case ev.Field != chart.FieldDepth && ev.Field != chart.FieldRecession: // a flag was heard and answered: it stays when the numbers come again
			default:
				here = true
				if ref := ev.At(); ev.Sounding && ev.Field == a.Field && !slices.Contains(a.Sites, ref) {
					sites = append(sites, ref)
				}
			}
		}
		if c.Source != chart.Voice {
			if here && len(sites) > 0 || jump {
				break
			}
			continue
		}
		if here {
			a.Calls = append(a.Calls, c.Seq)
			a.Sites = append(a.Sites, sites...)
			a.Mixed = a.Mixed || elsewhere
		}
		if jump || elsewhere {
			break
		}
	}
	slices.Reverse(a.Calls)
	at := s.Path.At(a.Place)
	order := func(r chart.SiteRef) int { return slices.Index(at.Sites[:], r.Site) }
	slices.SortFunc(a.Sites, func(x, y chart.SiteRef) int { return order(x) - order(y) })
	a.Here = a.Known() && a.Place == s.Place && !s.AtEnd() && (s.Rest() || s.Next != at.First())
	return a
}
