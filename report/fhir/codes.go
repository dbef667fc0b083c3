// Package fhir writes exams as FHIR R4 (4.0.1) resources, reads them back, and answers read-only searches.
//
// Layout: one Observation a probed site, under the LOINC code of a probing depth, with margin, attachment loss and flags as
// its components; one a tooth for its state, mobility and each furcation entrance; one for each score; the answers about the
// patient as a QuestionnaireResponse; what they lead to as Conditions and a DiagnosticReport; who entered and signed as Provenance.
// docs/fhir.md describes it.
package fhir

import (
	_ "embed"
	"encoding/json"

	"leadsman/chart"
)

// rootURL is the arc under which everything has its name that no standard names. It is a UUID of ours in the arc for UUIDs
// (ITU-T X.667), so that nobody has to be asked for it, and never changes.
const rootURL = "urn:oid:2.25.86323256401654059340299151922002212171"

// Names of ours.
const (
	codes        = rootURL + ".1" // code system of findings
	patientIDs   = rootURL + ".2" // the practice's file numbers
	examinerIDs  = rootURL + ".3" // examiners by the name that they sign with
	examIDs      = rootURL + ".4" // exams
	logHeads     = rootURL + ".5" // hash of the last event of an exam's log
	internalIDs  = rootURL + ".6" // patients by the store's id
	questions    = rootURL + ".7" // the questions about the patient
	exampleCodes = "https://perio-entry.invalid/fhir/CodeSystem/perio-finding"
)

// Code systems of others.
const (
	loinc     = "http://loinc.org"
	ucum      = "http://unitsofmeasure.org"
	iso3950   = "urn:iso:std:iso:3950"
	universal = "http://terminology.hl7.org/CodeSystem/ADAUniversalToothDesignationSystem"
	exTooth   = "http://terminology.hl7.org/CodeSystem/ex-tooth" // an example set: read, never written
	icd10     = "http://hl7.org/fhir/sid/icd-10"
	dental    = "http://hl7.org/fhir/us/dental-data-exchange/CodeSystem/dental-category"
	absent    = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
)

// LOINC codes; the names are LOINC's, used under its licence.
const (
	depthCode     = "32910-2"
	recessionCode = "32911-0"
	bleedingCode  = "32951-6"
	plaqueCode    = "32953-2"
)

var loincNames = map[string]string{
	depthCode:     "Probing depth {Tooth}.{probe site} Measured",
	recessionCode: "Recession [Length] {Tooth}.{probe site} Measured",
	bleedingCode:  "Bleeding on probing index Gingiva Calculated",
	plaqueCode:    "Plaque index Dentition Calculated",
}

// siteAnswers are LOINC's answer codes for the six places of the probe, by chart.Site.
var siteAnswers = [chart.NumSites][2]string{
	chart.DB: {"LA9271-3", "Distofacial"}, chart.B: {"LA9269-7", "Facial"}, chart.MB: {"LA9270-5", "Mesiofacial"},
	chart.DL: {"LA9273-9", "Distolingual"}, chart.L: {"LA9272-1", "Lingual"}, chart.ML: {"LA9274-7", "Mesiolingual"},
}

// entranceAnswers are the same for furcation entrances, by their key in the chart file.
var entranceAnswers = map[string][2]string{"B": {"LA9416-4", "Buccal"}, "L": {"LA9272-1", "Lingual"}, "M": {"LA27065-4", "Mesial"}, "D": {"LA25386-6", "Distal"}}

// CodeSystem is our code system as a FHIR resource.
//
//go:embed codesystem.json
var CodeSystem []byte

// ourNames are the displays of our codes.
var ourNames = func() map[string]string {
	var cs struct {
		Concept []struct{ Code, Display string }
	}
	if err := json.Unmarshal(CodeSystem, &cs); err != nil {
		panic(err) // embedded: a test reads it
	}
	m := map[string]string{}
	for _, c := range cs.Concept {
		m[c.Code] = c.Display
	}
	return m
}()
