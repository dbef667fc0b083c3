//go:build vosk

package vosk

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"leadsman/speech"
)

// modelFiles are the files without which a folder is no model for run-time word lists.
var modelFiles = []string{"am/final.mdl", "conf/mfcc.conf", "conf/model.conf", "graph/HCLr.fst", "graph/Gr.fst", "graph/disambig_tid.int"}

// checkModel refuses folders that are no model, as far as can be told from outside: Vosk itself
// crashes on some of them.
func checkModel(dir string) error {
	if dir == "" {
		return fmt.Errorf("%w: no model folder given; %s", speech.ErrNoModel, GetModel)
	}
	st, err := os.Stat(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("%w: no folder %s; %s", speech.ErrNoModel, dir, GetModel)
	} else if err != nil {
		return err
	}
	if !st.IsDir() {
		return fmt.Errorf("%w: %s is a file, not the folder of an unpacked model; %s", speech.ErrNoModel, dir, GetModel)
	}
	if _, err := os.Stat(filepath.Join(dir, "graph", "HCLG.fst")); err == nil {
		return fmt.Errorf("%w: %s is a Vosk model with a fixed language (graph/HCLG.fst), which cannot be told what may be said; %s", speech.ErrNoModel, dir, GetModel)
	}
	for _, f := range modelFiles {
		if _, err := os.Stat(filepath.Join(dir, filepath.FromSlash(f))); err != nil {
			return fmt.Errorf("%w: %s is no Vosk model: it has no %s; %s", speech.ErrNoModel, dir, f, GetModel)
		}
	}
	for _, f := range []string{"graph/HCLr.fst", "graph/Gr.fst"} {
		path := filepath.Join(dir, filepath.FromSlash(f))
		if err := checkFST(path); err != nil {
			return fmt.Errorf("%s is damaged (%w): unpack the model again", path, err)
		}
	}
	return nil
}

// checkFST looks whether a file begins as a graph of OpenFst and is as long as its header says. The
// header: magic number, two strings, version and flags of 4 bytes, properties, start, states and
// arcs of 8; a lookahead graph has another inside, of the plain kind, 20 bytes a state and 16 an arc.
func checkFST(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	st, err := f.Stat()
	if err != nil {
		return err
	}
	head := make([]byte, 512)
	n, err := io.ReadFull(f, head)
	if err != nil && !errors.Is(err, io.ErrUnexpectedEOF) {
		return err
	}
	head = head[:n]
	magic := []byte{0xd6, 0xfd, 0xb2, 0x7e}
	if !bytes.HasPrefix(head, magic) {
		return errors.New("not a graph of OpenFst")
	}
	at := bytes.LastIndex(head, append(magic[:4:4], 5, 0, 0, 0, 'c', 'o', 'n', 's', 't'))
	if at < 0 {
		return nil
	}
	counts := at + 4 + 4 + 5 + 4 + len("standard") + 4 + 4 + 8 + 8
	if counts+16 > len(head) {
		return errors.New("its header is cut off")
	}
	states, arcs := binary.LittleEndian.Uint64(head[counts:]), binary.LittleEndian.Uint64(head[counts+8:])
	if size := uint64(st.Size()); states > size || arcs > size || 20*states+16*arcs > size {
		return fmt.Errorf("%d bytes long, its header asks for more", size)
	}
	return nil
}
