package store

import (
	"bytes"
	"context"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"strconv"

	"github.com/mattn/go-sqlite3"
)

// The places that sealed content belongs to: it opens there and nowhere else, so that nothing can be moved from one record to
// another.
func patientPlace(id string) string { return "patients/" + id }
func eventPlace(exam string, seq uint64) string {
	return "events/" + exam + "/" + strconv.FormatUint(seq, 10)
}
func headPlace(exam string) string { return "head/" + exam }
func clipPlace(exam string, call uint64) string {
	return "clips/" + exam + "/" + strconv.FormatUint(call, 10)
}
func hookPlace(id string) string        { return "hooks/" + id }
func voicePlace(examiner string) string { return "voices/" + examiner }
func entryPlace(n int64) string         { return "journal/" + strconv.FormatInt(n, 10) }

// sealedSize is what sealing adds: nonce and tag of AES-GCM.
const sealedSize = 12 + 16

// unproven marks an event that was already damaged in a file from before events were sealed.
const unproven = '!'

// sealEvent seals an event as Encode wrote it.
func (k *keyring) sealEvent(exam string, seq uint64, body []byte) []byte {
	return k.seal(eventPlace(exam, seq), body)
}

// openEvent gives the bytes of an event. Without an error they are those that were appended there.
func (k *keyring) openEvent(exam string, seq uint64, sealed []byte) ([]byte, error) {
	b, err := k.open(eventPlace(exam, seq), sealed)
	if err != nil {
		return nil, errors.New("its bytes are not those that were written")
	}
	if len(b) > 0 && b[0] == unproven {
		return nil, errors.New("its bytes did not match their hash when the file was brought up to date")
	}
	return b, nil
}

// openHead gives the hash of the last event of an exam in hex, "" where it is damaged.
func (k *keyring) openHead(exam string, sealed []byte) string {
	b, _ := k.open(headPlace(exam), sealed)
	return hex.EncodeToString(b)
}

// identity is what is sealed of a patient's record.
type identity struct {
	Name   string `json:"name"`
	Born   string `json:"born"`
	Number string `json:"number"`
	Note   string `json:"note"`
	Phone  string `json:"phone,omitempty"`
}

func (k *keyring) sealPatient(p Patient) []byte {
	b, _ := json.Marshal(identity{p.Name, p.Born, p.Number, p.Note, p.Phone}) // strings always can
	return k.seal(patientPlace(p.ID), b)
}

func (k *keyring) openPatient(p *Patient, sealed []byte) error {
	b, err := k.open(patientPlace(p.ID), sealed)
	var i identity
	if err == nil {
		err = json.Unmarshal(b, &i)
	}
	if err != nil {
		return fmt.Errorf("the record of patient %s: %w", p.ID, &Error{Op: "read it", Err: fmt.Errorf("its bytes are not those that were written: %w", ErrDamaged),
			Hint: "the exams are not touched by this; write name and number anew, or look them up in a backup"})
	}
	p.Name, p.Born, p.Number, p.Note, p.Phone = i.Name, i.Born, i.Number, i.Note, i.Phone
	return nil
}

func (k *keyring) soundMAC(exam, stream string, samples int64) []byte {
	return mac(k.rows, []byte("sound"), []byte(exam), []byte(stream), number(samples))
}

// sealingFunctions gives the writing connection the functions that the schema's steps call.
func (s *Store) sealingFunctions(ctx context.Context) error {
	conn, err := s.w.Conn(ctx)
	if err != nil {
		return err
	}
	defer conn.Close()
	return conn.Raw(func(c any) error {
		for name, f := range map[string]any{
			"seal": s.keys.seal,
			"seal_event": func(exam string, seq int64, prev, body, hash []byte) []byte {
				if seq == 1 {
					prev = genesis(exam)
				}
				if !bytes.Equal(link(prev, body), hash) {
					body = append([]byte{unproven}, body...)
				}
				return s.keys.sealEvent(exam, uint64(seq), body)
			},
			"sound_mac": s.keys.soundMAC,
		} {
			if err := c.(*sqlite3.SQLiteConn).RegisterFunc(name, f, false); err != nil {
				return err
			}
		}
		return nil
	})
}
