module leadsman

go 1.26

require (
	github.com/go-audio/audio v1.0.0 // indirect
	github.com/go-audio/riff v1.0.0 // indirect
	github.com/go-audio/wav v1.1.0 // indirect
	github.com/k2-fsa/sherpa-onnx-go-linux v1.13.8 // indirect
	github.com/yalue/onnxruntime_go v1.27.0 // indirect
	pgregory.net/rapid v1.3.0 // indirect
)
