// Package diagnosis turns charts into findings by published rules. Every finding names the readings
// and the rule that led to it, and what is missing to be sure.
//
//	f := diagnosis.Assess(c, diagnosis.Options{})
//	stage, ok := f.Get("periodontitis.stage")
//
// Everything here is a pure function: no clock, no input or output, the same chart gives the same
// findings on any machine. The rules propose; a licensed clinician decides. Rules are Go functions,
// one file a published table; their numbers stand in thresholds.go with their sources.
//
// Absent readings are never zero, never "no" and never healthy. A rule that asks for the worst gives
// a lower bound on an incomplete chart ("at least"), a rule that finds nothing says "indeterminate".
package diagnosis
