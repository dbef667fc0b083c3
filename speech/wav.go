package speech

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
)

// WAVInfo says what a WAV file held before it was converted.
type WAVInfo struct {
	Rate      int     // samples a second of each channel
	Channels  int     // mixed down to one
	Bits      int     // per sample
	Float     bool    // IEEE floating point instead of integers
	Seconds   float64 // length of the sound
	Truncated bool    // the file ends before the length that its header names
}

// Limits of what ReadWAV takes: beyond these a file is no recording of an exam.
const (
	minWAVRate     = 4000
	maxWAVRate     = 192000
	maxWAVChannels = 64
	maxWAVSeconds  = 2 * 3600
)

// ReadWAVFile is ReadWAV on a file; errors name it.
func ReadWAVFile(path string) ([]int16, WAVInfo, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, WAVInfo{}, err
	}
	defer f.Close()
	if st, err := f.Stat(); err == nil && st.IsDir() {
		return nil, WAVInfo{}, fmt.Errorf("%s is a folder: give a WAV file", path)
	}
	pcm, info, err := ReadWAV(f)
	if err != nil {
		return nil, info, fmt.Errorf("%s: %w", path, err)
	}
	return pcm, info, nil
}

// ReadWAV reads a RIFF/WAVE stream with integer samples of 8, 16, 24 or 32 bits or floating point of
// 32 or 64, at 4 to 192 kHz, and returns its sound mixed down to one channel at Rate. Samples beyond
// full scale are clipped. A file that ends early gives what it holds and WAVInfo.Truncated; anything
// that cannot be read gives an error of one line that says where and what to do. Memory grows with
// the sound read, never with what a header claims.
func ReadWAV(r io.Reader) ([]int16, WAVInfo, error) {
	br := bufio.NewReaderSize(r, 1<<16)
	var head [12]byte
	if n, err := io.ReadFull(br, head[:]); err != nil {
		return nil, WAVInfo{}, wavShort("RIFF header", n, err)
	}
	switch {
	case string(head[:4]) == "RIFX" || string(head[:4]) == "RF64":
		return nil, WAVInfo{}, fmt.Errorf("a %s file, a rare form of WAV that is not read: save it as an ordinary WAV file", head[:4])
	case string(head[:4]) != "RIFF" || string(head[8:]) != "WAVE":
		return nil, WAVInfo{}, fmt.Errorf("not a WAV file (begins with %q): save the recording as WAV, 16 kHz mono 16-bit if there is a choice", head[:4])
	}
	var info WAVInfo
	for at := int64(12); ; {
		var ch [8]byte
		if n, err := io.ReadFull(br, ch[:]); err != nil {
			if n == 0 && err == io.EOF {
				return nil, info, fmt.Errorf("no sound in the file (it ends at byte %d without a data chunk): record or export it again", at)
			}
			return nil, info, wavShort(fmt.Sprintf("chunk header at byte %d", at), n, err)
		}
		size := int64(binary.LittleEndian.Uint32(ch[4:]))
		at += 8
		pad := size & 1
		switch string(ch[:4]) {
		case "fmt ":
			if err := info.readFormat(br, size, at); err != nil {
				return nil, info, err
			}
			taken := min(size, 40)
			size -= taken
			at += taken
		case "data":
			if info.Rate == 0 {
				return nil, info, fmt.Errorf("the data chunk at byte %d comes before any fmt chunk: the file is damaged, export it again", at-8)
			}
			return info.readData(br, size)
		}
		n, err := io.CopyN(io.Discard, br, size+pad)
		at += n
		if err != nil && err != io.EOF {
			return nil, info, err
		}
	}
}

func wavShort(what string, n int, err error) error {
	if n == 0 && err == io.EOF {
		return errors.New("the file is empty: record or export it again")
	}
	if err == io.EOF || err == io.ErrUnexpectedEOF {
		return fmt.Errorf("the file ends within its %s: it is truncated, copy or export it again", what)
	}
	return err
}

// Format tags of the fmt chunk: Microsoft, "Multiple Channel Audio Data and WAVE Files" (2007), and
// RFC 2361.
const (
	wavPCM        = 1
	wavFloat      = 3
	wavExtensible = 0xFFFE
)

func (w *WAVInfo) readFormat(r io.Reader, size, at int64) error {
	if size < 16 {
		return fmt.Errorf("the fmt chunk at byte %d has %d bytes, at least 16 are needed: the file is damaged, export it again", at-8, size)
	}
	var b [40]byte
	if n, err := io.ReadFull(r, b[:min(size, 40)]); err != nil {
		return wavShort(fmt.Sprintf("fmt chunk at byte %d", at-8), max(n, 1), io.ErrUnexpectedEOF)
	}
	tag := binary.LittleEndian.Uint16(b[0:])
	w.Channels = int(binary.LittleEndian.Uint16(b[2:]))
	rate := binary.LittleEndian.Uint32(b[4:])
	block := int(binary.LittleEndian.Uint16(b[12:]))
	w.Bits = int(binary.LittleEndian.Uint16(b[14:]))
	if tag == wavExtensible && size >= 40 {
		tag = binary.LittleEndian.Uint16(b[24:])
	}
	w.Float = tag == wavFloat
	const convert = "convert it to 16 kHz mono 16-bit WAV"
	if tag != wavPCM && tag != wavFloat {
		return fmt.Errorf("the sound is compressed (WAV format %#x): %s", tag, convert)
	}
	if rate < minWAVRate || rate > maxWAVRate {
		return fmt.Errorf("%d samples a second, %d to %d are read: %s", rate, minWAVRate, maxWAVRate, convert)
	}
	if w.Channels < 1 || w.Channels > maxWAVChannels {
		return fmt.Errorf("%d channels, 1 to %d are read: %s", w.Channels, maxWAVChannels, convert)
	}
	ok := w.Bits == 8 || w.Bits == 16 || w.Bits == 24 || w.Bits == 32
	if w.Float {
		ok = w.Bits == 32 || w.Bits == 64
	}
	if !ok || block != w.Channels*w.Bits/8 {
		kind := "integer"
		if w.Float {
			kind = "floating point"
		}
		return fmt.Errorf("%d-bit %s samples in blocks of %d bytes for %d channels are not read: %s", w.Bits, kind, block, w.Channels, convert)
	}
	w.Rate = int(rate)
	return nil
}

func (w *WAVInfo) readData(r io.Reader, size int64) ([]int16, WAVInfo, error) {
	// Programs that write to a pipe cannot know the size and put 0 or the greatest number there, of 31 or 32 bits and in whole pages.
	open := size == 0 || size >= 0xFFFFFF00 || size >= 0x7FFFF000 && size <= 0x7FFFFFFF
	if !open {
		r = io.LimitReader(r, size)
		if block := int64(w.Channels * w.Bits / 8); size/block > maxWAVSeconds*int64(w.Rate) {
			return nil, *w, fmt.Errorf("its header names %.1f hours of sound, at most %d are read: split the recording", float64(size/block)/float64(w.Rate)/3600, maxWAVSeconds/3600)
		}
	}
	var (
		pcm    []int16
		block  = w.Channels * w.Bits / 8
		buf    = make([]byte, 4096*block)
		mono   = make([]float32, 0, 4096)
		rs     = newResampler(w.Rate)
		frames int64
	)
	for {
		n, err := io.ReadFull(r, buf)
		if err != nil && err != io.EOF && err != io.ErrUnexpectedEOF {
			return nil, *w, err
		}
		mono = mono[:0]
		for b := buf[:n-n%block]; len(b) > 0; b = b[block:] {
			mono = append(mono, w.mix(b[:block]))
		}
		frames += int64(len(mono))
		pcm = rs.write(pcm, mono)
		if frames > maxWAVSeconds*int64(w.Rate) {
			return nil, *w, fmt.Errorf("more than %d hours of sound: split the recording", maxWAVSeconds/3600)
		}
		if err != nil {
			break
		}
	}
	pcm = rs.flush(pcm)
	w.Seconds = float64(frames) / float64(w.Rate)
	w.Truncated = !open && frames*int64(block) < size-size%int64(block)
	if frames == 0 {
		return nil, *w, errors.New("no sound in the file (its data chunk is empty): record or export it again")
	}
	return pcm, *w, nil
}

// mix returns the mean of the channels of one block, full scale 1.
func (w *WAVInfo) mix(b []byte) float32 {
	var sum float64
	step := w.Bits / 8
	for ; len(b) > 0; b = b[step:] {
		switch {
		case w.Float && w.Bits == 32:
			sum += finite(float64(math.Float32frombits(binary.LittleEndian.Uint32(b))))
		case w.Float:
			sum += finite(math.Float64frombits(binary.LittleEndian.Uint64(b)))
		case w.Bits == 8: // the only unsigned form
			sum += (float64(b[0]) - 128) / 128
		case w.Bits == 16:
			sum += float64(int16(binary.LittleEndian.Uint16(b))) / (1 << 15)
		case w.Bits == 24:
			sum += float64(int32(uint32(b[0])<<8|uint32(b[1])<<16|uint32(b[2])<<24)) / (1 << 31)
		default:
			sum += float64(int32(binary.LittleEndian.Uint32(b))) / (1 << 31)
		}
	}
	return float32(sum / float64(w.Channels))
}

// finite takes what is no number in a sound as silence and keeps the rest within a range that sums
// of filters can bear.
func finite(v float64) float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return 0
	}
	return max(-8, min(8, v))
}

// WAV returns 16 kHz mono samples as a WAV file.
func WAV(pcm []int16) []byte {
	b := make([]byte, 0, 44+2*len(pcm))
	b = append(b, "RIFF"...)
	b = binary.LittleEndian.AppendUint32(b, uint32(36+2*len(pcm)))
	b = append(b, "WAVEfmt "...)
	b = binary.LittleEndian.AppendUint32(b, 16)
	for _, v := range []uint16{wavPCM, 1, Rate, 0, Rate * 2, 0, 2, 16} {
		b = binary.LittleEndian.AppendUint16(b, v)
	}
	b = append(b, "data"...)
	b = binary.LittleEndian.AppendUint32(b, uint32(2*len(pcm)))
	for _, s := range pcm {
		b = binary.LittleEndian.AppendUint16(b, uint16(s))
	}
	return b
}
