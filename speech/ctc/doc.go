// Package ctc is the default ear: an acoustic model that gives the probability of each phone fifty
// times a second, and a search for the words of a speech.Net that fit them best.
//
//	sound -> log-mel frames -> network (ONNX Runtime) -> log-probabilities of phones
//	      -> beam search over the phones of the words that may follow -> readings
//
// What fits no reading well is rejected: the cost of the best reading is compared with the best
// that the network would hear without any net. The end of a call is found from the network's own
// silence, sooner where the words form a complete call.
//
// The network needs cgo; without it the package builds and Open says so.
package ctc
