package web

import "leadsman/practice"

// Calls lists the addresses of the API with the right that each takes.
func Calls() map[string]practice.Right {
	out := map[string]practice.Right{}
	for _, c := range (&server{static: newStatic()}).calls() {
		out[c.pattern] = c.right
	}
	return out
}

// Opens lists the addresses that keys open.
func Opens() map[string]practice.Scope { return opens }
