package diagnosis_test

import (
	"fmt"
	"strings"

	"leadsman/chartfile"
	"leadsman/diagnosis"
)

func Example() {
	c, err := chartfile.Decode(strings.NewReader(`{"schema":"leadsman.chart/1","teeth":{
		"16":{"sites":{"MB":{"depth":6,"recession":1,"bleeding":true}}},
		"26":{"sites":{"DB":{"depth":5,"recession":0,"bleeding":true}}}}}`))
	if err != nil {
		fmt.Println(err)
		return
	}
	f := diagnosis.Assess(c, diagnosis.Options{})
	stage, _ := f.Get("periodontitis.stage")
	fmt.Println(stage.Value, stage.Provisional)
	fmt.Println(stage.Text)
	// Output:
	// III true
	// Stage III: worst attachment loss 7 mm at 16 MB.
}
