//go:build tools

package ctc

// The module carries libonnxruntime.so; nothing of it is compiled in.
import _ "github.com/k2-fsa/sherpa-onnx-go-linux"
