package chart_test

import (
	"leadsman/chart"
	"leadsman/chartfile"
)

func init() { chart.Readers(chartfile.Read, chartfile.DecodeEvent, chartfile.DecodePlan) }
