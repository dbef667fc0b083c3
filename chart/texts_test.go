package chart

// Package chartfile reads the texts of acts and events. It imports this package, so that tests in here get it by readers_test.go.
var (
	readTexts   func(Command) Command
	decodeEvent func([]byte) (Event, error)
	decodePlan  func(string) (*Plan, error)
)

// Readers hands the readers over.
func Readers(texts func(Command) Command, event func([]byte) (Event, error), plan func(string) (*Plan, error)) {
	readTexts, decodeEvent, decodePlan = texts, event, plan
}

// doTexts is Do for a command whose acts have texts.
func (s *State) doTexts(c Command, m Meta) ([]Event, error) {
	return s.Do(readTexts(c), m)
}
