// Package store keeps patients, exams and the append-only log of every exam in one SQLite file.
//
// What Append has acknowledged is on the disk: the file is in WAL mode with synchronous=FULL, and
// the events of a call are one transaction. Events are never changed or deleted (triggers in the
// file forbid it), they are numbered without gaps, and each carries a hash over the one before it
// and its own bytes, so that damage is noticed and named, never folded into a chart.
//
//	st, err := store.Open(ctx, dir, time.Now)
//	p, err := st.AddPatient(ctx, store.Patient{Name: "Mira Holt"})
//	x, err := st.NewExam(ctx, store.Exam{Patient: p.ID, Kind: practice.KindExam})
//	log := st.Log(x.ID)
//	err = log.Append(ctx, evs...)               // durable when it returns nil
//	for e, err := range log.All(ctx) { ... }    // every event checked
//
// One process at a time writes to a folder (a lock file that dies with its process sees to that);
// OpenReadOnly looks on from another process, for backups, exports and checks.
package store
