package web

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"

	"leadsman/practice"
	"leadsman/voice"
)

// Voices keeps examiners and their voice profiles, and has them practise. A voice profile is personal data.
type Voices interface {
	Examiners(ctx context.Context) ([]practice.Person, error)
	// Voice is the profile as a file; SaveVoice keeps such a file, if it is one for the model in use; EraseVoice wipes it.
	Voice(ctx context.Context, examiner string) ([]byte, error)
	SaveVoice(ctx context.Context, examiner string, profile []byte) error
	EraseVoice(ctx context.Context, examiner string) error
	// Learning is what an examiner's exams can teach his voice profile; SetLeave lets signed ones do so, or no longer.
	Learning(ctx context.Context, examiner string) (practice.Learning, error)
	SetLeave(ctx context.Context, examiner string, leave bool) error
	// Practise begins a session of an examiner and ends a former one; Session finds it again.
	Practise(ctx context.Context, examiner string, kind voice.Kind) (*voice.Session, error)
	Session(id string) (*voice.Session, error)
	EndSession(id string)
}

// maxVoice is more than any voice profile.
const maxVoice = 1 << 20

var errNoVoices = &inputError{http.StatusNotFound, "no_such_address", "no examiners are kept here"}

// voiceCalls are the addresses of voice profiles and practising. What concerns a voice is for whose voice it is, and for who manages people.
func (s *server) voiceCalls() []call {
	return []call{
		{"GET /api/examiners", practice.Read, s.withVoices(examiners), nil},
		{"GET /api/examiners/{id}/voice", practice.Practise, nil, s.exportVoice},
		{"PUT /api/examiners/{id}/voice", practice.Practise, s.ofVoice(saveVoice), nil},
		{"DELETE /api/examiners/{id}/voice", practice.Read, s.ofVoice(eraseVoice), nil},
		{"GET /api/examiners/{id}/takes", practice.Practise, s.ofVoice(learning), nil},
		{"PUT /api/examiners/{id}/takes", practice.Practise, s.ofVoice(setLeave), nil},
		{"POST /api/examiners/{id}/practise", practice.Practise, s.ofVoice(practise), nil},
		{"POST /api/practise", practice.Practise, s.withVoices(practiseAsAnybody), nil},
		{"GET /api/practise/{id}", practice.Practise, s.ofSession(func(*voice.Session) error { return nil }), nil},
		{"POST /api/practise/{id}/skip", practice.Practise, s.ofSession((*voice.Session).Skip), nil},
		{"POST /api/practise/{id}/learn", practice.Practise, s.ofSession((*voice.Session).Learn), nil},
		{"DELETE /api/practise/{id}", practice.Practise, s.withVoices(s.endSession), nil},
		{"GET /api/practise/{id}/sound", practice.Practise, nil, s.practiseSound},
	}
}

// withVoices is a call of a service that keeps voices.
func (s *server) withVoices(do func(*http.Request, Voices) (any, error)) func(*http.Request) (any, error) {
	return func(r *http.Request) (any, error) {
		if s.Voices == nil {
			return nil, errNoVoices
		}
		return do(r, s.Voices)
	}
}

// ofVoice is a call about the voice of the examiner in the address.
func (s *server) ofVoice(do func(*http.Request, Voices) (any, error)) func(*http.Request) (any, error) {
	return s.withVoices(func(r *http.Request, v Voices) (any, error) {
		if err := ofOwn(r, practice.Practise); err != nil {
			return nil, err
		}
		return do(r, v)
	})
}

// ofSession is a call that does something with the session in the address, and answers with how it stands then.
func (s *server) ofSession(do func(*voice.Session) error) func(*http.Request) (any, error) {
	return s.withVoices(func(r *http.Request, v Voices) (any, error) {
		p, err := s.practising(r, v)
		if err == nil {
			err = do(p)
		}
		return viewOf(p, err)
	})
}

// viewOf is how a session stands.
func viewOf(p *voice.Session, err error) (any, error) {
	if err != nil {
		return nil, err
	}
	return p.View(), nil
}

func examiners(r *http.Request, v Voices) (any, error) {
	es, err := v.Examiners(r.Context())
	return append([]practice.Person{}, es...), err
}

func eraseVoice(r *http.Request, v Voices) (any, error) {
	ctx, done := working(r)
	defer done()
	return struct{}{}, v.EraseVoice(ctx, r.PathValue("id"))
}

func learning(r *http.Request, v Voices) (any, error) {
	return v.Learning(r.Context(), r.PathValue("id"))
}

// practise begins a session with a voice profile.
func practise(r *http.Request, v Voices) (any, error) {
	var in struct {
		Kind voice.Kind `json:"kind"`
	}
	if err := read(r, &in); err != nil {
		return nil, err
	}
	if in.Kind != voice.Enrol && in.Kind != voice.Drill && in.Kind != voice.Teach {
		return nil, &inputError{http.StatusUnprocessableEntity, "kind", fmt.Sprintf("kind is %s, %s or %s", voice.Enrol, voice.Drill, voice.Teach)}
	}
	return viewOf(v.Practise(r.Context(), r.PathValue("id"), in.Kind))
}

// practiseAsAnybody begins a drill that is nobody's.
func practiseAsAnybody(r *http.Request, v Voices) (any, error) {
	return viewOf(v.Practise(r.Context(), "", voice.Drill))
}

func (s *server) endSession(r *http.Request, v Voices) (any, error) {
	if _, err := s.practising(r, v); err != nil && !errors.Is(err, practice.ErrNotFound) {
		return nil, err
	}
	v.EndSession(r.PathValue("id"))
	return struct{}{}, nil
}

// practising finds a session of who asks.
func (s *server) practising(r *http.Request, v Voices) (*voice.Session, error) {
	p, err := v.Session(r.PathValue("id"))
	if err != nil {
		return nil, err
	}
	if p.View().Examiner == "" { // anybody's
		return p, nil
	}
	return p, ofSelf(r, p.View().Examiner, practice.Practise)
}

// setLeave lets signed exams teach a voice, or no longer.
func setLeave(r *http.Request, v Voices) (any, error) {
	var in struct {
		Leave bool `json:"leave"`
	}
	if err := read(r, &in); err != nil {
		return nil, err
	}
	ctx, done := working(r)
	defer done()
	if err := v.SetLeave(ctx, r.PathValue("id"), in.Leave); err != nil {
		return nil, err
	}
	return v.Learning(ctx, r.PathValue("id"))
}

// saveVoice keeps a profile that comes as a file.
func saveVoice(r *http.Request, v Voices) (any, error) {
	profile, err := io.ReadAll(http.MaxBytesReader(nil, r.Body, maxVoice))
	var big *http.MaxBytesError
	if errors.As(err, &big) {
		return nil, &inputError{http.StatusRequestEntityTooLarge, "too_long", fmt.Sprintf("this is no voice profile: it is longer than %d bytes", maxVoice)}
	}
	if err != nil {
		return nil, &inputError{http.StatusBadRequest, "interrupted", "the file did not arrive whole: send it again"}
	}
	return struct{}{}, v.SaveVoice(r.Context(), r.PathValue("id"), profile)
}

// exportVoice hands a voice profile out as a file.
func (s *server) exportVoice(w http.ResponseWriter, r *http.Request) {
	profile, err := []byte(nil), error(errNoVoices)
	if s.Voices != nil {
		if err = ofOwn(r, practice.Practise); err == nil {
			profile, err = s.Voices.Voice(r.Context(), r.PathValue("id"))
		}
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
				p, err = s.practising(r, s.Voices)
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
