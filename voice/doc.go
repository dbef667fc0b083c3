// Package voice gets to know how an examiner speaks: a script that is read for a voice profile, and drills
// that show how quickly and how surely the voice is understood and which words are taken for which.
//
// Lessons lists what exams can teach: calls whose words are sure because the examiner repaired what was heard, or signed it.
//
// A Session is a stream of sound with the lines to read; it is fed like the microphone of an exam.
package voice
