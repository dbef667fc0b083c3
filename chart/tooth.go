package chart

import (
	"encoding/json"
	"errors"
	"fmt"
	"strconv"
	"strings"
)

// Tooth is a tooth position in FDI two-digit notation (ISO 3950): quadrant 1-4 and place 1-8 for
// permanent teeth, quadrant 5-8 and place 1-5 for primary ones. The zero Tooth means "none".
type Tooth uint8

// ErrNoSuchTooth means that a number or name is no tooth in the numbering used.
var ErrNoSuchTooth = errors.New("no such tooth")

// Numbering is how teeth are named to people: ISO 3950 or the Universal system. Inside the program
// a Tooth is always FDI.
type Numbering string

const (
	FDI       Numbering = "fdi"
	Universal Numbering = "universal"
)

// ParseNumbering reads "fdi" or "universal", in any case.
func ParseNumbering(s string) (Numbering, error) {
	switch n := Numbering(strings.ToLower(strings.TrimSpace(s))); n {
	case FDI, Universal:
		return n, nil
	}
	return "", fmt.Errorf("numbering %q: use fdi or universal", s)
}

// Valid reports whether t is a permanent or primary tooth position.
func (t Tooth) Valid() bool {
	q, p := t/10, t%10
	return p >= 1 && (q >= 1 && q <= 4 && p <= 8 || q >= 5 && q <= 8 && p <= 5)
}

// Primary reports whether t is a primary (deciduous) tooth.
func (t Tooth) Primary() bool { return t >= 51 }

// Quadrant is 1 upper right, 2 upper left, 3 lower left, 4 lower right (the patient's sides); 5-8
// for primary teeth in the same order.
func (t Tooth) Quadrant() int { return int(t / 10) }

// Position counts from the midline: 1 central incisor to 8 third molar.
func (t Tooth) Position() int { return int(t % 10) }

// Upper reports whether t stands in the upper arch.
func (t Tooth) Upper() bool { q := (t/10-1)%4 + 1; return q <= 2 }

// RightSide reports whether t stands on the patient's right.
func (t Tooth) RightSide() bool { q := (t/10-1)%4 + 1; return q == 1 || q == 4 }

// Molar reports whether t is a molar (also a primary one).
func (t Tooth) Molar() bool {
	if t.Primary() {
		return t.Position() >= 4
	}
	return t.Position() >= 6
}

// ThirdMolar reports whether t is a wisdom tooth.
func (t Tooth) ThirdMolar() bool { return !t.Primary() && t.Position() == 8 }

// ArchPosition counts teeth of one arch from the patient's right third molar (1) to the left one
// (16), so neighbours differ by one also across the midline. Permanent teeth only; 0 for others.
func (t Tooth) ArchPosition() int {
	switch {
	case t.Primary() || !t.Valid():
		return 0
	case t.RightSide():
		return 9 - t.Position()
	default:
		return 8 + t.Position()
	}
}

// Universal returns the Universal number, 1-32, of a permanent tooth, or 0.
// Source: clinical numbering tables of both systems; the correspondence is checked against ISO 3950.
func (t Tooth) Universal() int {
	if !t.Valid() || t.Primary() {
		return 0
	}
	if t.Upper() {
		return t.ArchPosition()
	}
	return 33 - t.ArchPosition()
}

// Label writes the tooth as people who use n say it: "16" or "3"; primary teeth in the Universal
// system are the letters A to T.
func (t Tooth) Label(n Numbering) string {
	if n != Universal {
		return strconv.Itoa(int(t))
	}
	if !t.Primary() {
		return strconv.Itoa(t.Universal())
	}
	p := t.Position()
	switch t.Quadrant() {
	case 5:
		return string(rune('A' + 5 - p))
	case 6:
		return string(rune('E' + p))
	case 7:
		return string(rune('K' + 5 - p))
	default:
		return string(rune('O' + p))
	}
}

// String is the FDI number.
func (t Tooth) String() string { return strconv.Itoa(int(t)) }

// ToothFromUniversal returns the permanent tooth of a Universal number 1-32.
func ToothFromUniversal(u int) (Tooth, error) {
	switch {
	case u < 1 || u > 32:
		return 0, fmt.Errorf("%w: %d in Universal numbering (1 to 32)", ErrNoSuchTooth, u)
	case u <= 8:
		return Tooth(10 + 9 - u), nil
	case u <= 16:
		return Tooth(20 + u - 8), nil
	case u <= 24:
		return Tooth(30 + 25 - u), nil
	default:
		return Tooth(40 + u - 24), nil
	}
}

// ParseTooth reads a tooth as written in numbering n: an FDI number, a Universal number or, for
// primary teeth in the Universal system, a letter A to T.
func ParseTooth(s string, n Numbering) (Tooth, error) {
	s = strings.TrimSpace(s)
	if n == Universal && len(s) == 1 && s[0] >= 'A' && s[0] <= 'T' {
		i := Tooth(s[0] - 'A')
		return [4]Tooth{55 - i, 61 + (i - 5), 75 - (i - 10), 81 + (i - 15)}[i/5], nil
	}
	u, err := strconv.Atoi(s)
	if err != nil {
		return 0, fmt.Errorf("%w: %q is not a tooth number", ErrNoSuchTooth, s)
	}
	if n == Universal {
		return ToothFromUniversal(u)
	}
	if u < 0 || u > 99 || !Tooth(u).Valid() {
		return 0, fmt.Errorf("%w: %d in FDI numbering (11-18, 21-28, 31-38, 41-48)", ErrNoSuchTooth, u)
	}
	return Tooth(u), nil
}

// Index maps valid teeth to 0..51: permanent ones by quadrant, then primary ones.
func (t Tooth) Index() int {
	q, p := int(t/10), int(t%10)
	if q <= 4 {
		return (q-1)*8 + p - 1
	}
	return 32 + (q-5)*5 + p - 1
}

// ToothAt is the tooth of an Index.
func ToothAt(i int) Tooth {
	if i < 32 {
		return Tooth((i/8+1)*10 + i%8 + 1)
	}
	i -= 32
	return Tooth((i/5+5)*10 + i%5 + 1)
}

// Entrance is a furcation entrance.
type Entrance uint8

const (
	EntranceBuccal Entrance = iota
	EntranceLingual
	EntranceMesial
	EntranceDistal
	entrances
)

var entranceKeys = [entrances]string{"B", "L", "M", "D"}

// String is the key used in files: B, L, M or D.
func (e Entrance) String() string { return entranceKeys[e] }

// Name is the word for people.
func (e Entrance) Name() string { return [entrances]string{"buccal", "lingual", "mesial", "distal"}[e] }

// Entrances lists the furcation entrances that the tooth can have: upper molars buccal, mesial and
// distal; upper first premolars mesial and distal; lower molars buccal and lingual; others none.
// Source: root anatomy as summarised in periodontal reviews (seen, secondary); odd roots exist and
// are for the clinician to remark.
func (t Tooth) Entrances() []Entrance {
	switch {
	case t.Primary() || !t.Valid():
		return nil
	case t.Molar() && t.Upper():
		return []Entrance{EntranceBuccal, EntranceMesial, EntranceDistal}
	case t.Molar():
		return []Entrance{EntranceBuccal, EntranceLingual}
	case t.Upper() && t.Position() == 4:
		return []Entrance{EntranceMesial, EntranceDistal}
	}
	return nil
}

// Name is the anatomical name: "upper right first molar".
func (t Tooth) Name() string {
	arch, side := "lower", "left"
	if t.Upper() {
		arch = "upper"
	}
	if t.RightSide() {
		side = "right"
	}
	names := []string{"central incisor", "lateral incisor", "canine", "first premolar", "second premolar",
		"first molar", "second molar", "third molar"}
	if t.Primary() {
		names = []string{"primary central incisor", "primary lateral incisor", "primary canine", "primary first molar", "primary second molar"}
	}
	if !t.Valid() {
		return "no tooth"
	}
	return arch + " " + side + " " + names[t.Position()-1]
}

// Teeth is a list of teeth; in JSON their FDI numbers, as a single tooth is, and [] if there are none. (A plain slice of them
// would be written as bytes.)
type Teeth []Tooth

func (ts Teeth) MarshalJSON() ([]byte, error) {
	ns := make([]int, len(ts))
	for i, t := range ts {
		ns[i] = int(t)
	}
	return json.Marshal(ns)
}

func (ts *Teeth) UnmarshalJSON(b []byte) error {
	var ns []int
	if err := json.Unmarshal(b, &ns); err != nil {
		return fmt.Errorf("teeth: %w", err)
	}
	*ts = nil
	for _, n := range ns {
		if n < 0 || n > 99 || !Tooth(n).Valid() {
			return fmt.Errorf("%w: %d in FDI numbering (11-18, 21-28, 31-38, 41-48)", ErrNoSuchTooth, n)
		}
		*ts = append(*ts, Tooth(n))
	}
	return nil
}

// AllTeeth lists the 32 permanent teeth in the order 18..11, 21..28, 38..31, 41..48.
func AllTeeth() []Tooth {
	ts := make([]Tooth, 0, 32)
	for u := 1; u <= 32; u++ {
		t, _ := ToothFromUniversal(u)
		ts = append(ts, t)
	}
	return ts
}
