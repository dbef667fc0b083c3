package web

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"

	"leadsman/practice"
	"leadsman/voice"
)

// Voices keeps examiners and their voice profiles, and has them practise. A voice profile is personal data.
type Voices interface {
	Examiners(ctx context.Context) ([]practice.Examiner, error)
	// SaveExaminer adds (ID "") or changes an examiner. The voice profile of one who retires is erased.
	SaveExaminer(ctx context.Context, e practice.Examiner) (practice.Examiner, error)
	// Voice is the profile as a file; SaveVoice keeps such a file, if it is one for the model in use; EraseVoice wipes it.
	Voice(ctx context.Context, examiner string) ([]byte, error)
	SaveVoice(ctx context.Context, examiner string, profile []byte) error
	EraseVoice(ctx context.Context, examiner string) error
	// Lessons is how many calls of an examiner's exams his voice profile can learn from.
	Lessons(ctx context.Context, examiner string) (int, error)
	// Practise begins a session of an examiner and ends a former one; Session finds it again.
	Practise(ctx context.Context, examiner string, kind voice.Kind) (*voice.Session, error)
	Session(id string) (*voice.Session, error)
	EndSession(id string)
}

// maxVoice is more than any voice profile.
const maxVoice = 1 << 20

var errNoVoices = &inputError{http.StatusNotFound, "no_such_address", "no examiners are kept here"}

// voiceRoutes adds the addresses of examiners, voice profiles and practising.
func (s *server) voiceRoutes(mux *http.ServeMux, api func(string, func(*http.Request) (any, error))) {
	with := func(pattern string, h func(*http.Request, Voices) (any, error)) {
		api(pattern, func(r *http.Request) (any, error) {
			if s.Voices == nil {
				return nil, errNoVoices
			}
			return h(r, s.Voices)
		})
	}
	with("GET /api/examiners", func(r *http.Request, v Voices) (any, error) {
		es, err := v.Examiners(r.Context())
		return append([]practice.Examiner{}, es...), err
	})
	save := func(r *http.Request, v Voices) (any, error) {
		var in struct {
			Name    string `json:"name"`
			Retired bool   `json:"retired"`
		}
		if err := read(r, &in); err != nil {
			return nil, err
		}
		in.Name = strings.TrimSpace(in.Name)
		if err := need("name", in.Name, maxWho); err != nil {
			return nil, err
		}
		return v.SaveExaminer(r.Context(), practice.Examiner{ID: r.PathValue("id"), Name: in.Name, Retired: in.Retired})
	}
	with("POST /api/examiners", save)
	with("PUT /api/examiners/{id}", save)
	with("PUT /api/examiners/{id}/voice", func(r *http.Request, v Voices) (any, error) {
		profile, err := io.ReadAll(http.MaxBytesReader(nil, r.Body, maxVoice))
		var big *http.MaxBytesError
		if errors.As(err, &big) {
			return nil, &inputError{http.StatusRequestEntityTooLarge, "too_long", fmt.Sprintf("this is no voice profile: it is longer than %d bytes", maxVoice)}
		}
		if err != nil {
			return nil, &inputError{http.StatusBadRequest, "interrupted", "the file did not arrive whole: send it again"}
		}
		return struct{}{}, v.SaveVoice(r.Context(), r.PathValue("id"), profile)
	})
	with("DELETE /api/examiners/{id}/voice", func(r *http.Request, v Voices) (any, error) {
		ctx, done := working(r)
		defer done()
		return struct{}{}, v.EraseVoice(ctx, r.PathValue("id"))
	})
	mux.HandleFunc("GET /api/examiners/{id}/voice", s.exportVoice)
	with("GET /api/examiners/{id}/takes", func(r *http.Request, v Voices) (any, error) {
		n, err := v.Lessons(r.Context(), r.PathValue("id"))
		return map[string]int{"takes": n}, err
	})
	with("POST /api/examiners/{id}/practise", func(r *http.Request, v Voices) (any, error) {
		var in struct {
			Kind voice.Kind `json:"kind"`
		}
		if err := read(r, &in); err != nil {
			return nil, err
		}
		if in.Kind != voice.Enrol && in.Kind != voice.Drill && in.Kind != voice.Teach {
			return nil, &inputError{http.StatusUnprocessableEntity, "kind", fmt.Sprintf("kind is %s, %s or %s", voice.Enrol, voice.Drill, voice.Teach)}
		}
		p, err := v.Practise(r.Context(), r.PathValue("id"), in.Kind)
		if err != nil {
			return nil, err
		}
		return p.View(), nil
	})
	session := func(pattern string, h func(*http.Request, *voice.Session) error) {
		with(pattern, func(r *http.Request, v Voices) (any, error) {
			p, err := v.Session(r.PathValue("id"))
			if err == nil {
				err = h(r, p)
			}
			if err != nil {
				return nil, err
			}
			return p.View(), nil
		})
	}
	session("GET /api/practise/{id}", func(*http.Request, *voice.Session) error { return nil })
	session("POST /api/practise/{id}/skip", func(_ *http.Request, p *voice.Session) error { return p.Skip() })
	session("POST /api/practise/{id}/learn", func(_ *http.Request, p *voice.Session) error { return p.Learn() })
	with("DELETE /api/practise/{id}", func(r *http.Request, v Voices) (any, error) {
		v.EndSession(r.PathValue("id"))
		return struct{}{}, nil
	})
	mux.HandleFunc("GET /api/practise/{id}/sound", s.practiseSound)
}

// exportVoice hands a voice profile out as a file.
func (s *server) exportVoice(w http.ResponseWriter, r *http.Request) {
	profile, err := []byte(nil), error(errNoVoices)
	if s.Voices != nil {
		profile, err = s.Voices.Voice(r.Context(), r.PathValue("id"))
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	h := w.Header()
	h.Set("Content-Type", "application/octet-stream")
	h.Set("Content-Disposition", `attachment; filename="voice.leadsman"`)
	h.Set("Cache-Control", "no-store")
	_, _ = w.Write(profile) // nobody left to be told if the connection broke
}

// practiseSound is the microphone of a session: as that of an exam, with the session's View as news.
func (s *server) practiseSound(w http.ResponseWriter, r *http.Request) {
	var p *voice.Session
	told := int64(-1)
	s.stream(w, r, hearing{
		open: func(owner string) (Mic, error) {
			err := error(errNoVoices)
			if s.Voices != nil {
				p, err = s.Voices.Session(r.PathValue("id"))
			}
			if err == nil {
				err = p.Open(owner)
			}
			return practiseMic{p}, err
		},
		goesOn: func() bool { return false },
		news: func() any {
			if v := p.Version(); v == told {
				return nil
			}
			v := p.View()
			told = v.Version
			return v
		},
	})
}

// practiseMic is a session as a microphone: the session outlives it.
type practiseMic struct{ *voice.Session }

// Speaks and Spoke: the Practise page makes no sound while it listens.
func (practiseMic) Speaks(int64, string) {}
func (practiseMic) Spoke(from, to int64) {}
func (practiseMic) Detach()              {}
func (practiseMic) Close() error         { return nil }

var _ Mic = practiseMic{}
