// Package grammar turns words into commands. It takes words, never sound: the microphone, the
// keyboard and the tests all come through this door.
//
// The calls are written once, in calls.go, as a network of words; some of its arcs carry tokens.
// The same network serves twice: without tokens, as the Net of what a recognizer may hear in the
// current state, and with them, to parse. So nothing can be heard that cannot be parsed.
//
//	st := grammar.StateOf(examState)
//	recognizer.SetNet(grammar.NetOf(st))
//	res, err := grammar.Parse(st, strings.Fields("three two four"))
//	events, err := examState.Do(res.Command, meta)
package grammar
