package exam

import (
	"leadsman/chart"
)

// View is all that a page shows of an exam: a pure function of the log, written as JSON. A page
// gets a whole View when it opens or has missed something, and a Change after every call.
type View struct {
	Exam      string          `json:"exam"`
	Seq       uint64          `json:"seq"` // last durable event in this view
	Numbering chart.Numbering `json:"numbering"`
	Head
	// Line is the path: every place in walking order with the sites walked, whether its tooth is there or not.
	Line  []LineStep           `json:"line"`
	Teeth map[string]ToothView `json:"teeth"` // by FDI number, all 32
	Calls []CallView           `json:"calls"` // newest last, the most recent 50
}

// Head is the part of a view that changes with nearly every call.
type Head struct {
	Place     PlaceView   `json:"place"`               // where the next numbers go
	Then      *PlaceView  `json:"then,omitempty"`      // the place after that
	Focus     PlaceView   `json:"focus"`               // the aspect that flags and margins refer to
	Last      []string    `json:"last"`                // last sounding's site keys "16.DB", newest last, up to 9
	AtEnd     bool        `json:"at_end"`              // the path is finished
	Ended     bool        `json:"ended,omitempty"`     // it was walked to its end: only places with sites left out come after this one
	Rest      bool        `json:"rest,omitempty"`      // and of this one only the sites left out
	Listening bool        `json:"listening"`           // false: standing by
	Recorded  int         `json:"recorded"`            // of them with a number of this pass
	Sites     int         `json:"sites"`               // sites of the path whose teeth are there
	Doubts    []DoubtView `json:"doubts"`              // open doubts in path order
	Question  *Question   `json:"question,omitempty"`  // what the tool asks now
	Undo      uint64      `json:"undo,omitempty"`      // call that disregard from the keyboard takes back (State.LastCall("").Seq)
	Say       []string    `json:"say"`                 // some calls that can be said now, for help
	Complete  bool        `json:"complete"`            // exam complete was called
	SignedBy  string      `json:"signed_by,omitempty"` //
	Path      string      `json:"path"`                // name of the path
	Pass      chart.Field `json:"pass"`                // what bare numbers are: depth or recession
	Unprobed  []string    `json:"unprobed,omitempty"`  // sites without depth, once the exam is complete
	Remarks   []Remark    `json:"remarks"`             // oldest first

	Signatures []chart.Signature `json:"signatures"`     // oldest first
	Waits      bool              `json:"waits"`          // what a student signed waits for a supervisor
	Amendments []AmendmentView   `json:"amendments"`     // oldest first
	Void       *chart.Void       `json:"void,omitempty"` // the exam counts no more
}

// AmendmentView is an amendment, and its place in words.
type AmendmentView struct {
	chart.Amendment
	Place string `json:"place"` // "3 DB"; "" of the answers about the patient, whose values are in words
}

// PlaceView is a place in words.
type PlaceView struct {
	Tooth  string   `json:"tooth"`  // FDI number
	Label  string   `json:"label"`  // in the exam's numbering
	Aspect string   `json:"aspect"` // buccal or lingual
	Next   int      `json:"next"`   // index into Sites of the next sounding
	Sites  []string `json:"sites"`  // site keys in walking order
}

// LineStep is a place of the path.
type LineStep struct {
	Tooth  string   `json:"tooth"`
	Aspect string   `json:"aspect"`
	Sites  []string `json:"sites"`
}

// ToothView is a tooth as shown.
type ToothView struct {
	Label     string              `json:"label"`
	State     string              `json:"state"`             // present, missing, implant, unerupted
	Assumed   bool                `json:"assumed,omitempty"` // nobody said so: a wisdom tooth counts as missing until it is called
	Mobility  *int                `json:"mobility,omitempty"`
	Furcation map[string]int      `json:"furcation,omitempty"` // by entrance B L M D
	Entrances []string            `json:"entrances,omitempty"` // which it can have
	Sites     map[string]SiteView `json:"sites"`               // by site key, only sites with something recorded
	// Amended has the original of each value that was amended after signing, by field, as Act.Was writes values.
	Amended map[chart.Field]string `json:"amended,omitempty"`
}

// SiteView is a site as shown. Absent values are not recorded.
type SiteView struct {
	Depth          *float64 `json:"depth,omitempty"`
	Recession      *float64 `json:"recession,omitempty"`
	AttachmentLoss *float64 `json:"attachment_loss,omitempty"`
	Bleeding       *bool    `json:"bleeding,omitempty"`
	Suppuration    *bool    `json:"suppuration,omitempty"`
	Plaque         *bool    `json:"plaque,omitempty"`
	Calculus       *bool    `json:"calculus,omitempty"`
	Doubt          string   `json:"doubt,omitempty"` // reason; "" = none

	Amended map[chart.Field]string `json:"amended,omitempty"` // as for ToothView
}

// DoubtView is an open doubt.
type DoubtView struct {
	Tooth  string   `json:"tooth"`
	Label  string   `json:"label"`
	Site   string   `json:"site"`
	Field  string   `json:"field"`
	Value  *float64 `json:"value,omitempty"`
	Reason string   `json:"reason"`
	Rival  string   `json:"rival,omitempty"`
	Call   uint64   `json:"call"` // that entered the value: its sound is the doubt's
}

// Remark is speech or text kept beside a place.
type Remark struct {
	Call  uint64 `json:"call"`
	Place string `json:"place"` // in words: "3 buccal"
	Text  string `json:"text"`
	Time  int64  `json:"time"` // Unix milliseconds
	Who   string `json:"who,omitempty"`
}

// CallView is a line of the call list.
type CallView struct {
	chart.CallInfo
	Text string `json:"text"` // what it did, in words: "3 buccal: 3 2 4"
}

// Tone names the sound that answers a call.
type Tone string

const (
	ToneAccepted  Tone = "accepted"
	ToneRefused   Tone = "refused" // understood, cannot be done
	ToneMisfit    Tone = "misfit"  // not understood
	ToneDoubt     Tone = "doubt"   // written, and marked
	TonePlace     Tone = "place"   // the place changed by asking
	ToneArch      Tone = "arch"    // a row of the path is finished
	TonePart      Tone = "part"    // a piece of a place was entered: it is not full yet
	ToneShort     Tone = "short"   // the place stayed short of numbers, or got too many: it is called again
	ToneListening Tone = "listening"
	ToneStandBy   Tone = "standby"
)

// Answer is what the tool replies to a call. The page plays Tone or speaks Speak, as it is set.
type Answer struct {
	Call  uint64     `json:"call,omitempty"` // Seq of the call, 0 if nothing was logged (not understood)
	Did   chart.Verb `json:"did,omitempty"`
	Words string     `json:"words"`
	Text  string     `json:"text"`  // what happened, one line for the screen
	Speak string     `json:"speak"` // what to say in the spoken modes: "three. two. four."
	Must  bool       `json:"must"`  // speak it also in the modes tone and doubts only (say again, refusals that ask)
	Tone  Tone       `json:"tone"`
	Where string     `json:"where,omitempty"` // a place in words, said after that, wherever the examiner may not know it: "14 buccal"
	// AtMS is the stream time of the decision and EndMS that of the last word's end (voice only).
	AtMS  int64 `json:"at_ms,omitempty"`
	EndMS int64 `json:"end_ms,omitempty"`
}

// Question is something that the tool asks: answered by affirm, negative, a number or ignored.
type Question struct {
	ID        uint64 `json:"id"`
	Speak     string `json:"speak"` // "seven?"
	Text      string `json:"text"`  // "16 DB: 7?"
	Tooth     string `json:"tooth,omitempty"`
	Site      string `json:"site,omitempty"`
	from      int64  // stream time from which on numbers can be the answer
	until     int64  // 0: as long as the place is not full
	value     bool   // asks for the value: yes is no answer
	denied    bool   // what stands there was denied
	hole      bool   // asks for all numbers of a place
	check     bool   // and the answer tells whether the exam is adrift
	toldMS    int64  // a tone told that the answer came short; 0: none did
	place     chart.Place
	refs      []chart.SiteRef
	asked     int    // how often this was asked
	missed    int    // how many answers were not understood
	call      uint64 // the call that negative takes back; 0 if the question is about a doubt or a place
	elsewhere bool   // the place is not the one called last
	into      bool   // something was said into it: it was not heard to its end
	asks      *asks  // of the closing; nil: about a doubt, a place or a call
}

// Change is what subscribers get: after a call everything that differs from before it; between
// calls only what is tentative.
type Change struct {
	Seq    uint64               `json:"seq"`             // the view's Seq after this change
	From   uint64               `json:"from"`            // the view's Seq before it: a page at another Seq asks for a View
	Head   *Head                `json:"head,omitempty"`  //
	Teeth  map[string]ToothView `json:"teeth,omitempty"` // changed teeth, whole
	Line   []LineStep           `json:"line,omitempty"`  // only when the path changed
	Calls  []CallView           `json:"calls,omitempty"` // new calls, and old ones that were taken back
	Answer *Answer              `json:"answer,omitempty"`
	// Tentative, never confirmed: not numbered.
	Partial *Partial `json:"partial,omitempty"`
	Mic     *MicView `json:"mic,omitempty"`
}

// Partial is what is being heard; empty Words clear it.
type Partial struct {
	Words string `json:"words"`
	// Soundings are tentative numerals of the pass: site keys "16.DB" with a number.
	Soundings map[string]float64 `json:"soundings,omitempty"`
}

// MicView tells how the microphone does.
type MicView struct {
	On       bool    `json:"on"`
	Hearing  bool    `json:"hearing"` // speech is going on
	LevelDB  float64 `json:"level_db"`
	NoiseDB  float64 `json:"noise_db"`
	Clipped  float64 `json:"clipped"`
	Trouble  string  `json:"trouble,omitempty"` // one line: what is wrong and what to do
	StreamMS int64   `json:"stream_ms"`
}
