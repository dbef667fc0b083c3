// Package worker lets speech be recognized at other computers: a Server there answers for the engine that it has, and a pool is an engine to
// whoever uses it, and spreads streams of sound over such servers. docs/workers.md has the protocol.
//
// Sound that is not decided stays with the pool until it is: where a server is lost, another one hears it again.
package worker

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"net/http"

	"github.com/fxamacker/cbor/v2"

	"leadsman/speech"
)

// protocolVersion stands in all addresses.
const protocolVersion = 1

// Limits of what is sent.
const (
	maxMessage = 1 << 20  // bytes of a frame of the stream, nets apart
	maxNet     = 16 << 20 // bytes of a net
	maxBody    = 64 << 20 // bytes of a request: takes of a quarter of an hour
	maxSound   = 10 * speech.Rate
	maxWords   = 1 << 16
	maxStates  = 1 << 18
	maxArcs    = 1 << 20
	longest    = 128 // bytes of a word
)

// ask is what the pool sends on a stream; each is answered by one answer, in order.
type ask struct {
	Do      string `cbor:"do"`
	Profile []byte `cbor:"profile,omitempty"` // open: the voice that is to be heard
	Again   bool   `cbor:"again,omitempty"`   // open: another worker had this stream; it is taken even by one that is busy
	Hash    []byte `cbor:"hash,omitempty"`    // net: SHA-256 of the net
	Net     []byte `cbor:"net,omitempty"`     // net: it, where the worker did not know the hash
	Before  int64  `cbor:"before,omitempty"`  // skip: samples since the stream began at 0
	Sound   []byte `cbor:"sound,omitempty"`   // sound: 16-bit little endian samples; none: what waits is gone on with
}

// What an ask does.
const (
	doOpen  = "open"
	doNet   = "net"
	doSound = "sound"
	doSkip  = "skip"
	doFlush = "flush"
)

// answer is what the worker says to an ask.
type answer struct {
	Hyps    []speech.Hypothesis `cbor:"hyps,omitempty"`
	Leaving bool                `cbor:"leaving,omitempty"` // the worker is being stopped: go on elsewhere
	Error   *fault              `cbor:"error,omitempty"`
}

// request and response are the bodies of requests that are no stream.
type request struct {
	Words   []string `cbor:"words,omitempty"`
	Profile []byte   `cbor:"profile,omitempty"`
	Takes   []take   `cbor:"takes,omitempty"`
}

type response struct {
	State     *State            `cbor:"state,omitempty"`
	Words     []string          `cbor:"words,omitempty"`
	Fit       *speech.Fit       `cbor:"fit,omitempty"`
	Enrolment *speech.Enrolment `cbor:"enrolment,omitempty"`
	Error     *fault            `cbor:"error,omitempty"`
}

// State is what a worker says of itself.
type State struct {
	Engine     string  `cbor:"engine"`     // engine and model
	Adapts     bool    `cbor:"adapts"`     // it learns voices
	Streams    int     `cbor:"streams"`    // that it has
	Processors int     `cbor:"processors"` // that it may use
	Factor     float64 `cbor:"factor"`     // speech.Load.Factor
	Busy       bool    `cbor:"busy"`       // it takes no stream that is new
	Leaving    bool    `cbor:"leaving"`    // it is being stopped
}

type take struct {
	Words []string `cbor:"words"`
	Sound []byte   `cbor:"sound"`
}

// fault is an error with a code that programs go by.
type fault struct {
	Code  string   `cbor:"code"`
	Text  string   `cbor:"text"`
	Words []string `cbor:"words,omitempty"` // no_words: which
}

func (f *fault) Error() string { return f.Text }

// Errors of the protocol.
var (
	errSecret  = errors.New("the secret is not that of this worker: give both the same file with --worker-secret")
	errVersion = fmt.Errorf("this worker speaks version %d of the protocol: bring node and worker to the same version of leadsman", protocolVersion)
	errNet     = errors.New("this worker does not know the net: send it")
	errAsk     = errors.New("this cannot be read")
	errAdapter = errors.New("the recognizer of this worker learns no voices")
)

// codes are the errors that go over the wire, with the status of HTTP where no stream is open.
var codes = []struct {
	code   string
	err    error
	status int
}{
	{"busy", speech.ErrBusy, http.StatusServiceUnavailable},
	{"stopping", speech.ErrStopping, http.StatusServiceUnavailable},
	{"other_model", speech.ErrOtherModel, http.StatusConflict},
	{"bad_profile", speech.ErrProfile, http.StatusUnprocessableEntity},
	{"secret", errSecret, http.StatusUnauthorized},
	{"version", errVersion, http.StatusNotFound},
	{"unknown_net", errNet, http.StatusConflict},
	{"bad_ask", errAsk, http.StatusBadRequest},
	{"no_adapter", errAdapter, http.StatusNotImplemented},
}

// faultOf is an error as it is sent.
func faultOf(err error) (*fault, int) {
	var words *speech.VocabularyError
	var takes *speech.TakesError
	switch {
	case errors.As(err, &words):
		return &fault{"no_words", err.Error(), words.Missing}, http.StatusUnprocessableEntity
	case errors.As(err, &takes):
		return &fault{"bad_takes", takes.Text, nil}, http.StatusUnprocessableEntity
	}
	for _, c := range codes {
		if errors.Is(err, c.err) {
			return &fault{c.code, err.Error(), nil}, c.status
		}
	}
	return &fault{"fault", err.Error(), nil}, http.StatusInternalServerError
}

// errorOf is a fault as the error that it was.
func errorOf(f *fault) error {
	switch f.Code {
	case "no_words":
		return &speech.VocabularyError{Missing: f.Words}
	case "bad_takes":
		return &speech.TakesError{Text: f.Text}
	}
	for _, c := range codes {
		if f.Code == c.code {
			return c.err
		}
	}
	return f
}

// CBOR (RFC 8949), as small as numbers get without losing anything; what is read has bounds.
var (
	encoder = must(cbor.EncOptions{ShortestFloat: cbor.ShortestFloat16, InfConvert: cbor.InfConvertFloat16}.EncMode())
	decoder = must(cbor.DecOptions{MaxArrayElements: 2 * maxArcs, MaxMapPairs: 64, MaxNestedLevels: 8, DupMapKey: cbor.DupMapKeyEnforcedAPF,
		ExtraReturnErrors: cbor.ExtraDecErrorUnknownField, IndefLength: cbor.IndefLengthForbidden, TagsMd: cbor.TagsForbidden}.DecMode())
)

func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

func encode(v any) []byte { return must(encoder.Marshal(v)) }

func decode(b []byte, into any) error {
	if err := decoder.Unmarshal(b, into); err != nil {
		return fmt.Errorf("%w: %w", errAsk, err)
	}
	return nil
}

// bytesOf and samplesOf turn sound into bytes and back.
func bytesOf(pcm []int16) []byte {
	b := make([]byte, 0, 2*len(pcm))
	for _, v := range pcm {
		b = binary.LittleEndian.AppendUint16(b, uint16(v))
	}
	return b
}

func samplesOf(b []byte) ([]int16, error) {
	if len(b)%2 != 0 {
		return nil, fmt.Errorf("%w: 16-bit sound has an even number of bytes", errAsk)
	}
	pcm := make([]int16, len(b)/2)
	for i := range pcm {
		pcm[i] = int16(binary.LittleEndian.Uint16(b[2*i:]))
	}
	return pcm, nil
}

// wireNet is a net as it is sent: words, states and, state by state, arcs.
type wireNet struct {
	Words   []string  `cbor:"words"`
	Endings []byte    `cbor:"endings"` // of the states: speech.Ending, and 16 where any speech may follow
	Priors  []float64 `cbor:"priors"`  // of their endings
	Arcs    []uint32  `cbor:"arcs"`    // how many leave each state
	Word    []uint32  `cbor:"word"`    // of the arcs: place in words
	To      []uint32  `cbor:"to"`      // state
	Prior   []float64 `cbor:"prior"`
}

const freeState = 16

// netOf is a net as bytes, and their hash.
func netOf(n speech.Net) (body, hash []byte) {
	var w wireNet
	places := map[string]uint32{}
	for s := range n.States() {
		ending, prior := n.Ending(s)
		e := byte(ending)
		if speech.Free(n, s) {
			e |= freeState
		}
		w.Endings, w.Priors = append(w.Endings, e), append(w.Priors, prior)
		count := uint32(0)
		n.Arcs(s, func(word string, to int, prior float64) {
			at, ok := places[word]
			if !ok {
				at = uint32(len(w.Words))
				places[word] = at
				w.Words = append(w.Words, word)
			}
			w.Word, w.To, w.Prior = append(w.Word, at), append(w.To, uint32(to)), append(w.Prior, prior)
			count++
		})
		w.Arcs = append(w.Arcs, count)
	}
	body = encode(w)
	sum := sha256.Sum256(body)
	return body, sum[:]
}

// net is a speech.Net that was read.
type net struct {
	wireNet
	key   string
	first []uint32 // arc of each state, and their end
}

// readNet reads a net and checks all that those who use it rely on.
func readNet(body, hash []byte) (*net, error) {
	sum := sha256.Sum256(body)
	if !bytes.Equal(sum[:], hash) {
		return nil, fmt.Errorf("%w: the net is not that of its hash", errAsk)
	}
	n := &net{key: string(hash)}
	if err := decode(body, &n.wireNet); err != nil {
		return nil, err
	}
	bad := func(what string, a ...any) (*net, error) {
		return nil, fmt.Errorf("%w: net: "+what, append([]any{errAsk}, a...)...)
	}
	states := len(n.Endings)
	switch {
	case len(n.Words) > maxWords || states == 0 || states > maxStates || len(n.To) > maxArcs:
		return bad("%d words, %d states, %d arcs: at most %d, %d, %d, and one state at least", len(n.Words), states, len(n.To), maxWords, maxStates, maxArcs)
	case len(n.Priors) != states || len(n.wireNet.Arcs) != states || len(n.Word) != len(n.To) || len(n.Prior) != len(n.To):
		return bad("lists that belong together differ in length")
	}
	seen := map[string]bool{}
	for _, w := range n.Words {
		if w == "" || len(w) > longest || seen[w] {
			return bad("a word is empty, there twice, or longer than %d bytes", longest)
		}
		seen[w] = true
	}
	n.first = make([]uint32, 1, states+1)
	arcs := uint64(0)
	for s, e := range n.Endings {
		if speech.Ending(e&^freeState) > speech.Full || !logPrior(n.Priors[s]) {
			return bad("state %d has no ending that there is, or a prior that is none", s)
		}
		if arcs += uint64(n.wireNet.Arcs[s]); arcs > uint64(len(n.To)) {
			break
		}
		n.first = append(n.first, uint32(arcs))
	}
	if arcs != uint64(len(n.To)) {
		return bad("%d arcs leave the states, %d are there", arcs, len(n.To))
	}
	for i := range n.To {
		if int(n.To[i]) >= states || int(n.Word[i]) >= len(n.Words) || !logPrior(n.Prior[i]) {
			return bad("arc %d leads nowhere, has no word, or a prior that is none", i)
		}
	}
	return n, nil
}

func logPrior(p float64) bool { return p <= 0 && !math.IsInf(p, 0) }

func (n *net) Key() string { return n.key }
func (n *net) States() int { return len(n.Endings) }
func (n *net) Ending(s int) (speech.Ending, float64) {
	return speech.Ending(n.Endings[s] &^ freeState), n.Priors[s]
}
func (n *net) Free(s int) bool { return n.Endings[s]&freeState != 0 }

func (n *net) Arcs(s int, yield func(word string, to int, logPrior float64)) {
	for i := n.first[s]; i < n.first[s+1]; i++ {
		yield(n.Words[n.Word[i]], int(n.To[i]), n.Prior[i])
	}
}
