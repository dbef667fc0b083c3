package chart

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
)

// Source says who made a call.
type Source string

const (
	Voice    Source = "voice"
	Keyboard Source = "keyboard"
	Tool     Source = "tool" // the program itself: start of an exam, doubts
)

// Kind is what an event says.
type Kind string

// The events of an exam. A call is a KindCall followed by the events that it caused; they share
// Call, become durable together and are taken back together.
const (
	KindStart    Kind = "start"    // Numbering, Path; third molars missing, other permanent teeth present
	KindCall     Kind = "call"     // Source, Who, Words, Confidence, Did, ID; Refused if nothing was done
	KindSet      Kind = "set"      // Tooth, Site, Field, Value (nil: no longer recorded)
	KindTooth    Kind = "tooth"    // Tooth, Field, Value
	KindMove     Kind = "move"     // Tooth, Aspect, Next; End when the path is finished; Jump if it was asked for; Rest: what was left out
	KindPath     Kind = "path"     // Path: the path to walk from here on
	KindPass     Kind = "pass"     // Field: what bare numbers are from here on
	KindListen   Kind = "listen"   // Value 1 listening, 0 standing by
	KindUndo     Kind = "undo"     // Undo: the Call that is taken back
	KindDoubt    Kind = "doubt"    // Tooth, Site, Field, Text: reason, Rival: the other reading
	KindSettle   Kind = "settle"   // Tooth, Site: the doubt there is settled
	KindPatient  Kind = "patient"  // Text: a JSON object of patient inputs, merged into the former ones
	KindRemark   Kind = "remark"   // Tooth, Aspect, Text: words or the name of a sound clip
	KindComplete Kind = "complete" // the examiner called the exam complete
	KindPlan     Kind = "plan"     // Who decided, Text: the whole Plan as JSON; replaces the plan before
	KindSign     Kind = "sign"     // Who signed; Waits: for a co-signature. After it only what AfterSigning and ByAmendment allow
	KindCosign   Kind = "cosign"   // Who co-signed all that waits
	KindAmend    Kind = "amend"    // Who amends the signed exam, Text: the reason; what is amended follows in the same call
	KindVoid     Kind = "void"     // Who, Text: the reason; Value 1: the exam counts no more, 0: it counts again
	KindOwner    Kind = "owner"    // Who, Text: the reason, Patient: whose exam it is from here on
)

// Field names what a KindSet or KindTooth event sets. Values are half-millimetres for lengths,
// 0 or 1 for flags, the grade for mobility and furcation, a Presence for presence.
type Field string

const (
	FieldDepth     Field = "depth"
	FieldRecession Field = "recession"
	FieldAgain     Field = "depth_again" // the other depth of a double reading; a new depth clears it
	FieldPresence  Field = "presence"
	FieldMobility  Field = "mobility"
	FieldKeratin   Field = "keratinized_width"
	fieldFurcation Field = "furcation."
	fieldVertical  Field = "furcation_vertical."
)

// FieldOf is the field of a flag.
func FieldOf(f Flag) Field { return Field(f.String()) }

// FurcationField is the field of a furcation entrance: "furcation.B" and so on.
func FurcationField(e Entrance) Field { return fieldFurcation + Field(e.String()) }

// VerticalField is the field of the vertical part of a furcation: "furcation_vertical.B" and so on.
func VerticalField(e Entrance) Field { return fieldVertical + Field(e.String()) }

// Words names a field for people.
func (f Field) Words() string {
	if e, ok := entranceOf(f); ok {
		return "furcation " + e.Name()
	}
	if e, ok := verticalOf(f); ok {
		return "vertical furcation " + e.Name()
	}
	return strings.ReplaceAll(string(f), "_", " ")
}

// Length reports whether values of the field are half-millimetres.
func (f Field) Length() bool {
	_, vertical := verticalOf(f)
	return vertical || f == FieldDepth || f == FieldRecession || f == FieldAgain || f == FieldKeratin
}

// Event is one entry of the append-only log. Which fields count depends on Kind.
type Event struct {
	Seq  uint64 `json:"seq"`  // 1, 2, 3 ... within the exam; given by the log
	Call uint64 `json:"call"` // Seq of the first event of the call
	Time int64  `json:"time"` // Unix milliseconds
	Kind Kind   `json:"kind"`

	Source Source `json:"source,omitempty"`
	// Person is the account of who made the call, which all its events carry; Who is the name as it was then.
	Person     string  `json:"person,omitempty"`
	Who        string  `json:"who,omitempty"`
	ID         string  `json:"id,omitempty"` // given by the sender; a second call with the same ID is ignored
	Words      string  `json:"words,omitempty"`
	Confidence float64 `json:"confidence,omitempty"`
	Did        Verb    `json:"did,omitempty"`
	Refused    string  `json:"refused,omitempty"`
	StartMS    int64   `json:"start_ms,omitempty"` // place of the words in the sound of the exam
	EndMS      int64   `json:"end_ms,omitempty"`

	Tooth  Tooth  `json:"tooth,omitempty"`
	Site   *Site  `json:"site,omitempty"`
	Aspect Aspect `json:"aspect"`
	Field  Field  `json:"field,omitempty"`
	Value  *int   `json:"value,omitempty"`
	Next   int    `json:"next,omitempty"`
	End    bool   `json:"end,omitempty"`
	Undo   uint64 `json:"undo,omitempty"`
	Jump   bool   `json:"jump,omitempty"`
	// Rest marks a KindMove to a site that was left out: sites that have a number are passed by from there on.
	Rest bool `json:"rest,omitempty"`
	// Sounding marks a KindSet that is a reading along the path: it becomes "the last sounding".
	Sounding bool   `json:"sounding,omitempty"`
	Text     string `json:"text,omitempty"`
	Rival    string `json:"rival,omitempty"`
	// What Text says in a KindPatient and a KindPlan, read by whoever makes the event (package chartfile); nil if it cannot be read.
	Change *Change `json:"-"`
	Plan   *Plan   `json:"-"`

	Numbering Numbering `json:"numbering,omitempty"`
	Path      string    `json:"path,omitempty"`
	Patient   string    `json:"patient,omitempty"` // id in the practice's records
	Waits     bool      `json:"waits,omitempty"`   // a student's: waits for a co-signature
}

// Heard is how far the sound of a microphone is decided: what lies before it stands in the log, or was found to mean nothing,
// and is not heard again.
type Heard struct {
	Stream  string // names the sound of one microphone from switching on to off; "": none
	Samples int64  // from its begin on
}

// At is the site of an event that has one.
func (e *Event) At() SiteRef { return SiteRef{e.Tooth, *e.Site} }

// Encode writes the event as one line of JSON, the form in which logs are kept.
func (e Event) Encode() ([]byte, error) { return json.Marshal(e) }

// AfterSigning reports whether events of the kind may follow the signature.
func (k Kind) AfterSigning() bool {
	switch k {
	case KindCall, KindRemark, KindPlan, KindCosign, KindAmend, KindVoid, KindOwner:
		return true
	}
	return false
}

// ByAmendment reports whether events of the kind may follow the signature in the call of an amendment, behind its KindAmend.
func (k Kind) ByAmendment() bool {
	return k == KindSet || k == KindTooth || k == KindPatient || k == KindSettle
}

// checks says what an event lacks that no chart could hold, by its kind; "": nothing.
var checks = map[Kind]func(*Event) string{
	KindStart: func(e *Event) string {
		if _, err := PathNamed(e.Path); err != nil {
			return err.Error()
		}
		if _, err := ParseNumbering(string(e.Numbering)); err != nil {
			return err.Error()
		}
		return ""
	},
	KindSet:    (*Event).checkSet,
	KindTooth:  (*Event).checkTooth,
	KindDoubt:  (*Event).checkSite,
	KindSettle: (*Event).checkSite,
	KindMove: func(e *Event) string {
		if e.Next < 0 || e.Next > 2 || e.Aspect > Lingual {
			return "no such place"
		}
		return e.noTooth()
	},
	KindPath: func(e *Event) string {
		if _, err := PathNamed(e.Path); err != nil {
			return err.Error()
		}
		return ""
	},
	KindPass: func(e *Event) string {
		if e.Field != FieldDepth && e.Field != FieldRecession {
			return "a pass of neither depths nor margins"
		}
		return ""
	},
	KindCall:     nil,
	KindListen:   nil,
	KindUndo:     nil,
	KindPatient:  nil,
	KindRemark:   nil,
	KindComplete: nil,
	KindPlan:     nil,
	KindSign:     nil,
	KindCosign:   nil,
	KindAmend:    (*Event).checkReason,
	KindVoid:     (*Event).checkReason,
	KindOwner:    (*Event).checkReason,
}

// Check refuses events that no chart could hold, so that a damaged log is noticed and not folded.
func (e *Event) Check() error {
	check, is := checks[e.Kind]
	bad := ""
	if !is {
		bad = "unknown kind"
	} else if check != nil {
		bad = check(e)
	}
	if bad != "" {
		return fmt.Errorf("event %d (%s): %s", e.Seq, e.Kind, bad)
	}
	return nil
}

func (e *Event) noTooth() string {
	if !e.Tooth.Valid() {
		return "no such tooth"
	}
	return ""
}

func (e *Event) checkSite() string {
	if e.Site == nil || *e.Site >= NumSites {
		return "no site"
	}
	return e.noTooth()
}

func (e *Event) checkSet() string {
	if bad := e.checkSite(); bad != "" {
		return bad
	}
	lo, hi, what := 0, 1, "flag must be 0 or 1"
	switch _, flag := FlagOf(e.Field); {
	case e.Field == FieldDepth || e.Field == FieldAgain:
		hi, what = 2*MaxDepth, "depth out of range"
	case e.Field == FieldRecession:
		lo, hi, what = 2*MinRecession, 2*MaxRecession, "recession out of range"
	case !flag:
		return "unknown field " + string(e.Field)
	}
	if e.Value != nil && (*e.Value < lo || *e.Value > hi) {
		return what
	}
	return ""
}

func (e *Event) checkTooth() string {
	max := MaxMobility
	_, furc := entranceOf(e.Field)
	_, vertical := verticalOf(e.Field)
	switch {
	case vertical || e.Field == FieldKeratin:
		max = 2 * MaxDepth
	case e.Field == FieldPresence:
		max = int(Unerupted)
		if e.Value == nil {
			return "no value"
		}
	case furc:
		max = MaxFurcation
	case e.Field != FieldMobility:
		return "unknown field " + string(e.Field)
	}
	if e.Value != nil && (*e.Value < 0 || *e.Value > max) {
		return "value out of range"
	}
	return e.noTooth()
}

func (e *Event) checkReason() string {
	switch {
	case strings.TrimSpace(e.Text) == "":
		return "no reason"
	case e.Kind == KindVoid && e.Value == nil:
		return "no value"
	case e.Kind == KindOwner && e.Patient == "":
		return "no patient"
	}
	return ""
}

// FlagOf is the flag that a field of a site is, if it is one.
func FlagOf(f Field) (Flag, bool) {
	for i, k := range flagKeys {
		if string(f) == k {
			return Flag(i), true
		}
	}
	return 0, false
}

func entranceOf(f Field) (Entrance, bool) { return entranceAfter(f, fieldFurcation) }

func verticalOf(f Field) (Entrance, bool) { return entranceAfter(f, fieldVertical) }

func entranceAfter(f, prefix Field) (Entrance, bool) {
	k, ok := strings.CutPrefix(string(f), string(prefix))
	i := slices.Index(entranceKeys[:], k)
	return Entrance(max(i, 0)), ok && i >= 0
}
