module leadsman

go 1.26

require (
	github.com/k2-fsa/sherpa-onnx-go-linux v1.13.8
	github.com/yalue/onnxruntime_go v1.27.0
	pgregory.net/rapid v1.3.0
)

require github.com/mattn/go-sqlite3 v1.14.53 // indirect
