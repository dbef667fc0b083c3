module leadsman

go 1.26

require (
	github.com/chromedp/cdproto v0.159.0 // indirect
	github.com/chromedp/chromedp v0.23.0 // indirect
	github.com/go-audio/audio v1.0.0 // indirect
	github.com/go-audio/riff v1.0.0 // indirect
	github.com/go-audio/wav v1.1.0 // indirect
	github.com/go-json-experiment/json v0.0.0-20260213210345-44df1a37e875 // indirect
	github.com/gorilla/websocket v1.5.3 // indirect
	github.com/k2-fsa/sherpa-onnx-go-linux v1.13.8 // indirect
	github.com/mattn/go-sqlite3 v1.14.53 // indirect
	github.com/yalue/onnxruntime_go v1.27.0 // indirect
	pgregory.net/rapid v1.3.0 // indirect
)
