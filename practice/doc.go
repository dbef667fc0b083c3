// Package practice is what a practice is and does: its patients and their exams, its people and their voices, its settings and its own
// words, the exams that run and the sound that is kept of them. See Practice.
//
// What it keeps goes to Records, which the store is; pages and commands come in through its methods.
package practice
