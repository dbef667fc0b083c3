// Package web is the screen of Leadsman: it serves the pages, carries commands and microphone sound
// to running exams and tells pages what changed. docs/api.md describes what goes over the wire.
//
// The server owns the truth. A page reads an exam.View once, then follows numbered exam.Changes; a
// page that missed some takes up where it was. Whatever can be sent twice (a command after a broken
// connection, sound after a reconnect) carries an identity or a position, so that nothing is lost
// and nothing is entered twice.
//
//	h := web.New(web.Options{Exams: exams, Practice: practice, Findings: findings, Log: log})
//	http.Serve(listener, h)
//
// The package knows no store and no recognizer: cmd hands them over behind the interfaces here.
package web
