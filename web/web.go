package web

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"mime"
	"net"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/gorilla/websocket"

	"leadsman/chart"
	"leadsman/exam"
	"leadsman/practice"
)

// Options is what the screen needs from outside.
type Options struct {
	Exams    Exams
	Practice Practice
	People   People
	Ledger   Ledger // nil: the journal is not shown, nobody is erased
	// Dossier writes all that is kept of a patient as a ZIP archive; nil where that is not offered.
	Dossier func(ctx context.Context, w io.Writer, patient string) error
	// Programs are let in by keys; nil: none are.
	Programs Programs
	Clips    Clips  // nil: no sound is kept
	Voices   Voices // nil: no examiners, no voice profiles
	// Say speaks a text for browsers that have no voice: a WAV file, slowly where that is asked for.
	// Nil: there is no voice.
	Say func(ctx context.Context, text string, slow bool) ([]byte, error)
	// Calendar writes days on which patients are due as an iCalendar file.
	Calendar func(w io.Writer, days []practice.Due) error
	// Export writes an exam in one of its forms; nil: none is offered. It fails with practice.ErrNotFound, and with a *chart.Refusal for a form
	// that there is not.
	Export func(ctx context.Context, exam string, q url.Values) (File, error)
	// Languages are those that patients can be given pages in: tags with their own names.
	Languages map[string]string
	// FHIR answers below /fhir/; nil: it is not offered.
	FHIR http.Handler
	// Paths are the practice's own, beside the built-in ones.
	Paths []chart.Path
	// Hosts are the names under which the service may be reached, without port. Loopback names are
	// always allowed. A request under any other name is refused: it may come from a page that
	// points its own name at this machine.
	Hosts []string
	// Nodes are the addresses of all processes that share the records, this one too; pages go on at another one where theirs does not answer.
	Nodes []string
	// Invent fills an empty practice with invented patients and exams to look around in; nil where
	// that is not offered.
	Invent func(context.Context) error
	// Demo is a spoken exam, a WAV file, that a page plays to show how an exam is called; nil: none is offered.
	Demo []byte
	// Trial begins an exam that is kept nowhere, to try a microphone in; nil: there is no recognizer.
	Trial func(context.Context) (*exam.Exam, error)
	// Version is shown in Settings.
	Version string
	Log     *slog.Logger
	// Beat is how often a quiet event stream sends a sign of life; 0 means 15 seconds.
	Beat time.Duration
	// Patience is how long a connected microphone may send nothing before its connection counts as dead, and a tried one may be
	// without a connection before it is ended; 0 means a minute.
	Patience time.Duration
	// Authority is the practice's own, which devices are told to trust; nil: the certificate needs no telling, or there is none.
	Authority Authority
	// Remember has browsers keep to TLS under the names of the service from then on (RFC 6797): right where the certificate is of an authority that
	// every device knows, for who cannot renew that of an own one would lock the practice out.
	Remember bool
	// Limits bound what one client may do.
	Limits Limits
	// Ready says why nobody is to be sent here, nil that somebody may be; nil itself: always.
	Ready func(context.Context) error
	// Reconnected is told of each microphone that came back; may be nil.
	Reconnected func()
	// Seen is told of each request that was answered, by the pattern of its address; may be nil.
	Seen func(method, pattern string, status int, took time.Duration)
}

const (
	maxBody  = 64 << 10
	maxWords = 500
	maxID    = 80
	maxWho   = 120
	maxSay   = 600
)

var errNothingHere = &inputError{http.StatusNotFound, "no_such_address", "there is nothing at this address: docs/api.md lists what there is"}

type server struct {
	Options
	log    *slog.Logger
	static *static
	hosts  map[string]bool

	mu    sync.Mutex
	lines map[string]*websocket.Conn // connected microphones by exam and owner
	tried map[string]*trialMic       // microphones that are tried, by owner
	noise noise

	clients  *clients
	refusals *refusals
	stopTold atomic.Bool // that microphones are refused since the service is being stopped
}

// New makes the handler of all pages and of their API.
func New(o Options) http.Handler {
	s := &server{Options: o, log: o.Log, static: newStatic(), hosts: map[string]bool{"localhost": true}, lines: map[string]*websocket.Conn{}, tried: map[string]*trialMic{}, clients: newClients(o.Limits), refusals: newRefusals()}
	if s.log == nil {
		s.log = slog.New(slog.DiscardHandler)
	}
	if s.Beat == 0 {
		s.Beat = 15 * time.Second
	}
	if s.Patience == 0 {
		s.Patience = time.Minute
	}
	for _, h := range o.Hosts {
		s.hosts[strings.ToLower(h)] = true
	}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /static/{hash}/{file...}", s.static.serve)
	mux.HandleFunc("GET /icon.svg", s.static.icon)
	if o.Authority != nil {
		for _, p := range []string{"/trust", "/trust/authority.crt", "/trust/authority.pem"} {
			mux.HandleFunc("GET "+p, func(w http.ResponseWriter, r *http.Request) { trust(w, r, o.Authority, false) })
		}
	}
	for _, p := range []string{"/{$}", "/exams/{id}/{screen}", "/patients/{id}", "/patients/{id}/record", "/patients/{id}/journal", "/journal", "/settings", "/practise", "/due", "/card", "/people"} {
		mux.HandleFunc("GET "+p, s.static.shell)
	}
	for _, c := range s.calls() {
		mux.HandleFunc(c.pattern, s.serve(c))
	}
	for _, p := range []string{"/healthz", "/readyz"} {
		mux.HandleFunc("GET "+p, s.state)
	}
	mux.HandleFunc("/api/", func(w http.ResponseWriter, r *http.Request) {
		s.fail(w, r, errNothingHere)
	})
	// Every other address has a page too, that says so and leads back.
	mux.HandleFunc("/", s.static.nowhere)
	foreign := http.NewCrossOriginProtection()
	for _, n := range o.Nodes {
		_ = foreign.AddTrustedOrigin(strings.TrimSuffix(n, "/")) // checked at the start
		if u, err := url.Parse(n); err == nil {
			s.hosts[strings.ToLower(u.Hostname())] = true
		}
	}
	foreign.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		s.fail(w, r, &inputError{http.StatusForbidden, "origin", "this came from a page of another service: refused"})
	}))
	return s.watched(s.guard(foreign.Handler(mux)))
}

// call is an address of the API. Who asks needs the right; "" is for everybody, also before signing in.
type call struct {
	pattern string
	right   practice.Right
	get     func(*http.Request) (any, error) // answers with JSON
	raw     http.HandlerFunc                 // in the place of get
}

// everybody may, also before signing in.
const everybody = practice.Right("")

// calls is the table of all addresses and of the right that each takes.
func (s *server) calls() []call {
	return slices.Concat(s.serviceCalls(), s.peopleCalls(), s.patientCalls(), s.examCalls(), s.voiceCalls(), s.programCalls())
}

// serviceCalls are the addresses of the service itself: what it is, its settings, its journal.
func (s *server) serviceCalls() []call {
	return []call{
		{"GET /api/about", everybody, s.about, nil},
		{"POST /api/invented", practice.ManagePeople, s.invent, nil},
		{"GET /api/demo.wav", everybody, nil, s.demo},
		{"GET /api/journal", practice.Audit, s.journal, nil},
		{"GET /api/journal.csv", practice.Audit, nil, s.journalFile},
		{"GET /api/clips", practice.Read, s.clipUse, nil},
		{"GET /api/say", practice.Read, nil, s.aloud},
		{"GET /api/settings", practice.Read, s.settings, nil},
		{"PUT /api/settings", practice.ChangeSettings, s.changeSettings, nil},
	}
}

// peopleCalls are the addresses of who works here, and of how they sign in.
func (s *server) peopleCalls() []call {
	return []call{
		{"GET /api/session", everybody, s.session, nil},
		{"POST /api/session", everybody, nil, s.signIn},
		{"POST /api/session/prove", everybody, nil, s.prove},
		{"POST /api/session/passkey/ask", everybody, s.askPasskey, nil},
		{"POST /api/session/passkey", everybody, nil, s.passkey},
		{"DELETE /api/session", everybody, nil, s.signOut},
		{"GET /api/people", practice.ManagePeople, s.people, nil},
		{"POST /api/people", practice.ManagePeople, s.savePerson, nil},
		{"PUT /api/people/{id}", practice.ManagePeople, s.savePerson, nil},
		{"PUT /api/people/{id}/password", everybody, nil, s.setPassword}, // one's own, or by who manages people
		{"PUT /api/people/{id}/code", everybody, s.setCode, nil},         // likewise
		{"GET /api/people/{id}/passkeys", everybody, s.passkeys, nil},
		{"POST /api/people/{id}/passkeys/ask", everybody, s.askNewPasskey, nil},
		{"POST /api/people/{id}/passkeys", everybody, s.addPasskey, nil},
		{"DELETE /api/people/{id}/passkeys/{key}", everybody, s.removePasskey, nil},
	}
}

// patientCalls are the addresses of patients and of who is to come again.
func (s *server) patientCalls() []call {
	return []call{
		{"GET /api/patients", practice.Read, nil, listed(s, s.patients)},
		{"POST /api/patients", practice.Patients, s.addPatient, nil},
		{"GET /api/patients/{id}", practice.Read, s.patient, nil},
		{"PUT /api/patients/{id}", practice.Patients, s.changePatient, nil},
		{"POST /api/patients/{id}/merge", practice.Correct, s.merge, nil},
		{"GET /api/patients/{id}/dossier.zip", practice.Export, nil, s.dossier},
		{"GET /api/patients/{id}/keeping", practice.Read, s.keeping, nil},
		{"POST /api/patients/{id}/erase", practice.EraseData, s.erase, nil},
		{"GET /api/patients/{id}/course", practice.Read, s.course, nil},
		{"GET /api/due", practice.Read, nil, listed(s, s.due)},
		{"GET /api/due.ics", practice.Export, nil, s.calendar},
		{"GET /api/feed", practice.ChangeSettings, s.feed, nil},
		{"POST /api/feed", practice.ChangeSettings, s.openFeed, nil},
		{"DELETE /api/feed", practice.ChangeSettings, s.withdrawFeed, nil},
		{"GET /api/feed/{secret}", everybody, nil, s.feedAt}, // the secret is the right
	}
}

// examCalls are the addresses of exams, and of how they leave.
func (s *server) examCalls() []call {
	return []call{
		{"POST /api/exams", practice.Examine, s.begin, nil},
		{"GET /api/waiting", practice.Read, s.waiting, nil},
		{"GET /api/exams/{id}", practice.Read, s.view, nil},
		{"GET /api/exams/{id}/visit", practice.Read, s.visit, nil},
		{"POST /api/exams/{id}/words", practice.Examine, s.words, nil},
		{"POST /api/exams/{id}/do", practice.Read, s.do, nil}, // and what its command takes: see mayDo
		{"POST /api/exams/{id}/move", practice.Correct, s.move, nil},
		{"GET /api/exams/{id}/findings", practice.Read, s.findings, nil},
		{"GET /api/exams/{id}/compare", practice.Read, s.compare, nil},
		{"GET /api/exams/{id}/profile", practice.Read, s.profile, nil},
		{"GET /api/exams/{id}/earlier", practice.Read, s.earlier, nil},
		{"GET /api/exams/{id}/plan", practice.Read, s.plan, nil},
		{"GET /api/exams/{id}/inputs", practice.Read, s.inputs, nil},
		{"GET /api/exams/{id}/history", practice.Read, s.history, nil},
		{"GET /api/exams/{id}/clips", practice.Read, s.clips, nil},
		{"GET /api/exams/{id}/clips/{call}", practice.Read, nil, s.clip},
		{"GET /api/exams/{id}/due.ics", practice.Export, nil, s.calendar},
		{"GET /api/exams/{id}/changes", practice.Read, nil, s.changes},
		{"GET /api/exams/{id}/sound", practice.Examine, nil, s.sound},
		{"GET /api/trial/sound", practice.Examine, nil, s.trialSound},
		{"GET /api/exams/{id}/export", practice.Export, nil, s.export},
		{"/fhir/", practice.Export, nil, s.fhir},
	}
}

// programCalls are the addresses of what programs of others may ask and are told.
func (s *server) programCalls() []call {
	return []call{
		{"GET /api/programs", practice.ManagePrograms, s.withPrograms(s.programs), nil},
		{"POST /api/programs", practice.ManagePrograms, s.withPrograms(s.addProgram), nil},
		{"DELETE /api/programs/{id}", practice.ManagePrograms, s.withPrograms(s.withdrawProgram), nil},
		{"GET /api/hooks", practice.ManageHooks, s.withPrograms(s.hooks), nil},
		{"POST /api/hooks", practice.ManageHooks, s.withPrograms(s.addHook), nil},
		{"DELETE /api/hooks/{id}", practice.ManageHooks, s.withPrograms(s.removeHook), nil},
		{"POST /api/hooks/{id}/try", practice.ManageHooks, s.withPrograms(s.tryHook), nil},
		{"GET /api/hooks/{id}/letters", practice.ManageHooks, s.withPrograms(s.notices), nil},
		{"POST /api/hooks/{id}/again", practice.ManageHooks, s.withPrograms(s.sendAgain), nil},
	}
}

// serve lets in who may.
func (s *server) serve(c call) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		err := s.clients.asks(r)
		if err == nil && !websocket.IsWebSocketUpgrade(r) { // which looks at its origin itself
			err = s.ownPage(r)
		}
		var seat *practice.Seat
		if err == nil {
			r, seat, err = s.seated(r)
		}
		switch {
		case err != nil:
		case seat.Program():
			err = seat.Opens(opens[c.pattern])
		case c.right != "":
			err = seat.May(c.right)
		}
		var v any
		if err == nil && c.get != nil {
			v, err = c.get(r)
		}
		switch {
		case err != nil:
			s.fail(w, r, err)
		case c.raw != nil:
			s.looked(r, c)
			c.raw(w, r)
		default:
			s.looked(r, c)
			reply(w, http.StatusOK, v)
		}
	}
}

// guard refuses requests under foreign names and sets the headers that keep pages to themselves.
func (s *server) guard(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if !s.known(r.Host) && r.URL.Path != "/healthz" && r.URL.Path != "/readyz" { // which tell nothing
			s.fail(w, r, &inputError{http.StatusMisdirectedRequest, "host",
				fmt.Sprintf("this service is not called %q: open it as localhost, or start it with the name it is to have", r.Host)})
			return
		}
		timed(w, r)
		h := w.Header()
		// Browsers differ in whether 'self' covers WebSockets of the same host: name it.
		socket := "ws://" + r.Host
		if r.TLS != nil {
			socket = "wss://" + r.Host
			if s.Remember && !local(r.Host) {
				h.Set("Strict-Transport-Security", "max-age=31536000")
			}
		}
		h.Set("Content-Security-Policy", "default-src 'self'; connect-src 'self' "+socket+nodes(s.Nodes).sources()+
			"; object-src 'none'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'")
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Permissions-Policy", "microphone=(self), camera=(), geolocation=()")
		if nodes(s.Nodes).share(w, r) {
			return
		}
		next.ServeHTTP(w, r)
	})
}

// known reports whether the service may be called host (with or without a port).
func (s *server) known(host string) bool {
	name := host
	if h, _, err := net.SplitHostPort(host); err == nil {
		name = h
	}
	name = strings.ToLower(strings.Trim(name, "[]"))
	if strings.ContainsAny(name, " ;,'\"") {
		return false
	}
	ip := net.ParseIP(name)
	return s.hosts[name] || ip != nil && ip.IsLoopback()
}

// read decodes the JSON body of a request, strictly.
func read(r *http.Request, into any) error {
	if t, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || t != "application/json" {
		return &inputError{http.StatusUnsupportedMediaType, "not_json", "send application/json"}
	}
	dec := json.NewDecoder(http.MaxBytesReader(nil, r.Body, maxBody))
	dec.DisallowUnknownFields()
	if err := dec.Decode(into); err != nil {
		var big *http.MaxBytesError
		if errors.As(err, &big) {
			return &inputError{http.StatusRequestEntityTooLarge, "too_long", fmt.Sprintf("the request is longer than %d bytes", maxBody)}
		}
		return &inputError{http.StatusBadRequest, "bad_json", "the request cannot be read: " + err.Error()}
	}
	if _, err := dec.Token(); err != io.EOF {
		return &inputError{http.StatusBadRequest, "bad_json", "the request has something after its JSON object"}
	}
	return nil
}

// limited checks a field: a page never sends longer ones, so a longer one is a fault to be told.
func limited(name, v string, max int) error {
	if len(v) > max {
		return &inputError{http.StatusUnprocessableEntity, "too_long", fmt.Sprintf("%s is longer than %d bytes", name, max)}
	}
	return nil
}

func need(name, v string, max int) error {
	if strings.TrimSpace(v) == "" {
		return &inputError{http.StatusUnprocessableEntity, "missing", name + " is missing"}
	}
	return limited(name, v, max)
}

func (s *server) running(r *http.Request) (Exam, error) {
	return s.Exams.Exam(r.Context(), r.PathValue("id"))
}

func (s *server) about(*http.Request) (any, error) {
	type path struct {
		Name  string `json:"name"`
		Title string `json:"title"`
		Again bool   `json:"again,omitempty"` // only for a re-evaluation
	}
	var paths []path
	for _, p := range slices.Concat(chart.Paths(), s.Paths) {
		paths = append(paths, path{Name: p.Name, Title: p.Title})
	}
	paths = append(paths, path{chart.PocketPath, fmt.Sprintf("only pockets: sites of %d mm and more at the earlier exam", chart.PocketFrom), true})
	return map[string]any{"version": s.Version, "build": s.static.hash, "paths": paths, "invent": s.Invent != nil, "demo": s.Demo != nil && s.Trial != nil, "export": s.Export != nil, "voice": s.Say != nil, "languages": s.Languages, "nodes": append([]string{}, s.Nodes...)}, nil
}

func (s *server) view(r *http.Request) (any, error) {
	e, err := s.running(r)
	if err != nil {
		return nil, err
	}
	return e.View(r.Context())
}

func (s *server) visit(r *http.Request) (any, error) {
	return s.Practice.Visit(r.Context(), r.PathValue("id"))
}

// working is the context of a command: a page that goes away does not stop what it has ordered, so
// that a command is either entered with its answer or not at all.
func working(r *http.Request) (context.Context, context.CancelFunc) {
	return context.WithTimeout(context.WithoutCancel(r.Context()), 20*time.Second)
}

// invent fills a practice that has no patients yet; one that has some is left alone.
func (s *server) invent(r *http.Request) (any, error) {
	if s.Invent == nil {
		return nil, &inputError{http.StatusNotFound, "no_such_address", "no invented practice is offered here"}
	}
	if err := s.Invent(r.Context()); err != nil {
		return nil, err
	}
	ps, _, err := s.Practice.Patients(r.Context(), "", "", maxPage)
	return append([]practice.Patient{}, ps...), err
}

// demo is the recording of an exam being called.
func (s *server) demo(w http.ResponseWriter, r *http.Request) {
	if s.Demo == nil {
		s.fail(w, r, &inputError{http.StatusNotFound, "no_such_address", "no recording is offered here"})
		return
	}
	sendWAV(w, r, s.Demo)
}

func (s *server) words(r *http.Request) (any, error) {
	var in struct {
		Text string `json:"text"`
		ID   string `json:"id"`
		Who  any    `json:"who"` // pages of earlier versions said who they are: it is whoever sits there
	}
	if err := read(r, &in); err != nil {
		return nil, err
	}
	if err := errors.Join(need("text", in.Text, maxWords), need("id", in.ID, maxID)); err != nil {
		return nil, err
	}
	return s.done(r, func(ctx context.Context, e Exam) (exam.Answer, error) {
		return e.Words(ctx, in.Text, seatOf(r).Caller(), in.ID)
	})
}

// done has a call done by the exam of a request.
func (s *server) done(r *http.Request, call func(context.Context, Exam) (exam.Answer, error)) (any, error) {
	e, err := s.running(r)
	if err != nil {
		return nil, err
	}
	ctx, done := working(r)
	defer done()
	return answered(call(ctx, e))
}

// answered tells a call that the exam understood as such, or did not, from one that failed: only
// the latter is an error of the request. A refused call has its Answer, with the tone for it.
func answered(a exam.Answer, err error) (any, error) {
	if err == nil || a.Tone == exam.ToneMisfit {
		return a, nil
	}
	if code, _ := status(err); a.Tone == exam.ToneRefused && code < 500 {
		return a, nil
	}
	return nil, err
}

func (s *server) do(r *http.Request) (any, error) {
	var in struct {
		Command chart.Command `json:"command"`
		ID      string        `json:"id"`
		Who     any           `json:"who"` // as for words
	}
	if err := read(r, &in); err != nil {
		return nil, err
	}
	if err := need("id", in.ID, maxID); err != nil {
		return nil, err
	}
	if n := len(in.Command.Acts); n == 0 || n > 200 {
		return nil, &inputError{http.StatusUnprocessableEntity, "missing", "a command has 1 to 200 acts"}
	}
	if slices.ContainsFunc(in.Command.Acts, func(a chart.Act) bool { return a.Verb == chart.VerbOwner }) {
		return nil, &inputError{http.StatusUnprocessableEntity, "move", "an exam is moved by its own address, which looks for the patient: POST .../move"}
	}
	if err := mayDo(seatOf(r), in.Command); err != nil {
		return nil, err
	}
	return s.done(r, func(ctx context.Context, e Exam) (exam.Answer, error) {
		return e.Do(ctx, in.Command, seatOf(r).Caller(), in.ID)
	})
}

// inputs are what was asked about the patient, as a VerbPatient takes them.
func (s *server) inputs(r *http.Request) (any, error) {
	e, err := s.running(r)
	if err != nil {
		return nil, err
	}
	c, _, err := e.Chart(r.Context())
	if err != nil {
		return nil, err
	}
	return c.Patient, nil
}

// history is what was ever entered at a site and its tooth.
func (s *server) history(r *http.Request) (any, error) {
	q := r.URL.Query()
	tooth, err := chart.ParseTooth(q.Get("tooth"), chart.FDI)
	if err != nil {
		return nil, &inputError{http.StatusUnprocessableEntity, "no_such_tooth", err.Error()}
	}
	site, err := chart.ParseSite(q.Get("site"))
	if err != nil {
		return nil, &inputError{http.StatusUnprocessableEntity, "no_such_site", err.Error()}
	}
	e, err := s.running(r)
	if err != nil {
		return nil, err
	}
	h, err := e.History(r.Context(), chart.SiteRef{Tooth: tooth, Site: site})
	return append([]chart.Entry{}, h...), err
}

func (s *server) clips(r *http.Request) (any, error) {
	if s.Clips == nil {
		return practice.ClipList{Calls: []uint64{}}, nil
	}
	l, err := s.Clips.Clips(r.Context(), r.PathValue("id"))
	l.Calls = append([]uint64{}, l.Calls...)
	return l, err
}

// clip is the sound of a call.
func (s *server) clip(w http.ResponseWriter, r *http.Request) {
	call, err := strconv.ParseUint(r.PathValue("call"), 10, 63)
	if err != nil {
		s.fail(w, r, &inputError{http.StatusBadRequest, "number", "the call is its number"})
		return
	}
	var wav []byte
	if err = error(practice.ErrNotFound); s.Clips != nil {
		wav, err = s.Clips.Clip(r.Context(), r.PathValue("id"), call)
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	sendWAV(w, r, wav)
}

// sendWAV answers with sound. It belongs to a patient: no cache keeps it.
func sendWAV(w http.ResponseWriter, r *http.Request, wav []byte) {
	w.Header().Set("Content-Type", "audio/wav")
	w.Header().Set("Cache-Control", "no-store")
	http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(wav))
}

// aloud speaks a text.
func (s *server) aloud(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	err := need("text", q.Get("text"), maxSay)
	if err == nil {
		err = s.clients.speaks(r)
	}
	if err == nil && s.Say == nil {
		err = &inputError{http.StatusServiceUnavailable, "no_voice", "no voice is installed here: install espeak-ng, or use a browser that has a voice"}
	}
	var wav []byte
	if err == nil {
		wav, err = s.Say(r.Context(), q.Get("text"), q.Get("slow") == "1")
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	sendWAV(w, r, wav)
}

func (s *server) clipUse(r *http.Request) (any, error) {
	var use struct {
		Bytes int64 `json:"bytes"`
		Limit int64 `json:"limit"`
	}
	if s.Clips == nil {
		return use, nil
	}
	var err error
	use.Bytes, use.Limit, err = s.Clips.ClipUse(r.Context())
	return use, err
}

// patients lists a page of them; the header Link leads to the next.
func (s *server) patients(w http.ResponseWriter, r *http.Request) (any, error) {
	limit, after, err := pageOf(r)
	if err != nil {
		return nil, err
	}
	ps, more, err := s.Practice.Patients(r.Context(), r.URL.Query().Get("search"), after, limit)
	if err == nil && more {
		leadOn(w, r, ps[len(ps)-1].ID)
	}
	return append([]practice.Patient{}, ps...), err
}

// Entries of a list that are sent at once.
const (
	defaultPage = 200
	maxPage     = 1000
)

// pageOf reads which page of a list is asked for.
func pageOf(r *http.Request) (limit int, after string, err error) {
	q := r.URL.Query()
	limit = defaultPage
	if v := q.Get("limit"); v != "" {
		if limit, err = strconv.Atoi(v); err != nil || limit < 1 || limit > maxPage {
			return 0, "", &inputError{http.StatusBadRequest, "number", fmt.Sprintf("limit is a number from 1 to %d", maxPage)}
		}
	}
	after = q.Get("after")
	return limit, after, limited("after", after, maxID)
}

// listed answers with JSON and what get says of it in headers.
func listed(s *server, get func(http.ResponseWriter, *http.Request) (any, error)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		v, err := get(w, r)
		if err != nil {
			s.fail(w, r, err)
			return
		}
		reply(w, http.StatusOK, v)
	}
}

// leadOn says where a list goes on, as RFC 8288 has it.
func leadOn(w http.ResponseWriter, r *http.Request, after string) {
	q := r.URL.Query()
	q.Set("after", after)
	w.Header().Set("Link", "<"+r.URL.Path+"?"+q.Encode()+`>; rel="next"`)
}

func (s *server) patient(r *http.Request) (any, error) {
	p, err := s.Practice.Patient(r.Context(), r.PathValue("id"))
	if err != nil {
		return nil, err
	}
	vs, err := s.Practice.Visits(r.Context(), p.ID)
	return struct {
		practice.Patient
		Visits []practice.Visit `json:"visits"`
	}{p, append([]practice.Visit{}, vs...)}, err
}

func (s *server) addPatient(r *http.Request) (any, error) { return s.savePatient(r, "") }
func (s *server) changePatient(r *http.Request) (any, error) {
	return s.savePatient(r, r.PathValue("id"))
}

func (s *server) savePatient(r *http.Request, id string) (any, error) {
	var p practice.Patient
	if err := read(r, &p); err != nil {
		return nil, err
	}
	p.ID = id
	p.Name = strings.TrimSpace(p.Name)
	if err := errors.Join(need("name", p.Name, 200), born(p.Born), limited("number", p.Number, 80), limited("note", p.Note, 2000), limited("phone", p.Phone, 80)); err != nil {
		return nil, err
	}
	return s.Practice.SavePatient(r.Context(), p)
}

// born checks a date of birth: a year, a month or a day.
func born(v string) error {
	if v == "" {
		return nil
	}
	for _, layout := range []string{"2006-01-02", "2006-01", "2006"} {
		if t, err := time.Parse(layout, v); err == nil && t.Year() > 1880 {
			if t.After(time.Now()) {
				return &inputError{http.StatusUnprocessableEntity, "date", "date of birth " + strconv.Quote(v) + " lies in the future"}
			}
			return nil
		}
	}
	return &inputError{http.StatusUnprocessableEntity, "date", "date of birth " + strconv.Quote(v) + ": write it as 1971-03-28, or only the year"}
}

func (s *server) begin(r *http.Request) (any, error) {
	var v practice.NewVisit
	if err := read(r, &v); err != nil {
		return nil, err
	}
	if err := errors.Join(need("patient", v.Patient, maxID), need("id", v.ID, maxID), s.walk(v.Numbering, v.Path, true)); err != nil {
		return nil, err
	}
	return s.Practice.Begin(r.Context(), v, seatOf(r).Caller())
}

// walk checks how an exam goes; again allows paths of re-evaluations.
func (s *server) walk(n chart.Numbering, path string, again bool) error {
	if _, err := chart.ParseNumbering(string(n)); err != nil {
		return &inputError{http.StatusUnprocessableEntity, "numbering", err.Error()}
	}
	if again && path == chart.PocketPath {
		return nil
	}
	if _, err := exam.PathRef(path, s.Paths, nil); err != nil {
		return &inputError{http.StatusUnprocessableEntity, "path", err.Error()}
	}
	return nil
}

func (s *server) settings(r *http.Request) (any, error) { return s.Practice.Settings(r.Context()) }

func (s *server) changeSettings(r *http.Request) (any, error) {
	var v practice.Settings
	if err := read(r, &v); err != nil {
		return nil, err
	}
	if err := errors.Join(limited("practice", v.Practice, 200), s.walk(v.Numbering, v.Path, false)); err != nil {
		return nil, err
	}
	if err := errors.Join(limited("phone", v.Phone, 80), limited("emergency", v.Emergency, 80)); err != nil {
		return nil, err
	}
	if _, ok := s.Languages[v.Language]; !ok && v.Language != "" {
		return nil, &inputError{http.StatusUnprocessableEntity, "language", fmt.Sprintf("there are no messages in %q", v.Language)}
	}
	if v.Paper != "" && v.Paper != "a4" && v.Paper != "letter" {
		return nil, &inputError{http.StatusUnprocessableEntity, "paper", "paper is a4 or letter"}
	}
	if v.SiteWords != "buccal-lingual" && v.SiteWords != "facial-palatal" {
		return nil, &inputError{http.StatusUnprocessableEntity, "site_words", "site words are buccal-lingual or facial-palatal"}
	}
	return s.Practice.SaveSettings(r.Context(), v)
}
