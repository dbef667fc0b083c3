// Package chartfile is the form in which charts leave the program and come back: the chart file, and the texts in which events and
// commands carry what was asked about a patient and what was planned. docs/chart-file.md describes the file.
//
//	c, err := chartfile.Decode(file)
//	err = chartfile.Encode(out, c)
package chartfile
