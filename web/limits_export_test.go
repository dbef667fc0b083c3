package web

import "time"

// SetBodyWithin has bodies come sooner, until it is undone.
func SetBodyWithin(d time.Duration) (undo func()) {
	was := bodyWithin
	bodyWithin = d
	return func() { bodyWithin = was }
}
