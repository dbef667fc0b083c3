// Package vosk is the second recognizer: a Vosk model (Kaldi) that the user brings, behind the same
// contract as the default one. Programs built without the tag vosk only say how to get it: make vosk.
//
// A Vosk model knows words, not pronunciations. Words of the grammar that it lacks are heard as
// words that it has (respell.txt, Options.Respell). Its recognizer gets the word pairs of the net as
// its language, and each of its n-best readings is then followed through the net itself, so that
// only calls come out. When a call has ended is decided here, by the silence after it.
package vosk
