package store

import (
	"crypto/aes"
	"crypto/cipher"
	"crypto/hkdf"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

// ErrKey means that the key of the data is missing, is another one, or cannot be read.
var ErrKey = errors.New("no key for these data")

const (
	secretSize = 32
	keyMark    = "leadsman-key-1 " // followed by the secret in base64
)

// keyring is what the secret of a store is used for; each use has a key of its own (HKDF, RFC 5869).
type keyring struct {
	secret []byte
	id     string // tells keys apart without giving them away
	chain  []byte // of the journal
	rows   []byte // of what rows hold
	aead   cipher.AEAD
}

func newKeyring(secret []byte) (*keyring, error) {
	if len(secret) != secretSize {
		return nil, fmt.Errorf("%d bytes, not %d", len(secret), secretSize)
	}
	k := &keyring{secret: secret}
	var content, id []byte
	for use, to := range map[string]*[]byte{"journal": &k.chain, "rows": &k.rows, "content": &content, "id": &id} {
		b, err := hkdf.Key(sha256.New, secret, nil, "leadsman "+use, secretSize)
		if err != nil {
			return nil, err
		}
		*to = b
	}
	k.id = hex.EncodeToString(id[:8])
	block, err := aes.NewCipher(content)
	if err != nil {
		return nil, err
	}
	k.aead, err = cipher.NewGCMWithRandomNonce(block)
	return k, err
}

// seal encrypts what belongs to a place (a table and a key in it): it opens there and nowhere else.
func (k *keyring) seal(place string, plain []byte) []byte {
	return k.aead.Seal(nil, nil, plain, []byte(place))
}

func (k *keyring) open(place string, sealed []byte) ([]byte, error) {
	return k.aead.Open(nil, nil, sealed, []byte(place))
}

// mac begins a keyed hash over parts that are told apart by their lengths.
func mac(key []byte, parts ...[]byte) []byte {
	h := hmac.New(sha256.New, key)
	for _, p := range parts {
		part(h, p)
	}
	return h.Sum(nil)
}

func part(h hash.Hash, p []byte) {
	n := uint64(len(p))
	h.Write([]byte{byte(n >> 56), byte(n >> 48), byte(n >> 40), byte(n >> 32), byte(n >> 24), byte(n >> 16), byte(n >> 8), byte(n)})
	h.Write(p)
}

// KeyFile is where the key of a data folder lies unless another file is named: beside the folder, so that a copy of the folder
// alone does not hold it.
func KeyFile(dir string) string {
	if abs, err := filepath.Abs(dir); err == nil {
		dir = abs
	}
	return filepath.Clean(dir) + ".key"
}

// readKey reads a key file; without one the error is fs.ErrNotExist.
func readKey(path string) (*keyring, error) {
	fail := func(err error) (*keyring, error) {
		return nil, &Error{Op: "read the key file", Path: path, Err: fmt.Errorf("%w: %w", err, ErrKey),
			Hint: "put the copy of it back that you keep, or restore a backup, which brings its key along"}
	}
	b, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	if err != nil {
		return fail(err)
	}
	if fi, err := os.Stat(path); err == nil && fi.Mode().Perm()&0o077 != 0 {
		os.Chmod(path, fi.Mode().Perm()&0o700) // a foreign owner keeps his rights
	}
	for line := range strings.Lines(string(b)) {
		if text, ok := strings.CutPrefix(strings.TrimSpace(line), keyMark); ok {
			secret, err := base64.StdEncoding.DecodeString(strings.TrimSpace(text))
			if err != nil {
				return fail(fmt.Errorf("the key in it is garbled: %v", err))
			}
			k, err := newKeyring(secret)
			if err != nil {
				return fail(fmt.Errorf("the key in it is garbled: %v", err))
			}
			return k, nil
		}
	}
	return fail(errors.New("there is no key in it"))
}

// makeKey makes a new key file for its owner alone.
func makeKey(path, dir string) (*keyring, error) {
	secret := make([]byte, secretSize)
	rand.Read(secret) // never fails
	k, err := newKeyring(secret)
	if err != nil {
		return nil, err
	}
	return k, writeKey(path, dir, k)
}

func writeKey(path, dir string, k *keyring) error {
	text := fmt.Sprintf("# The key of the Leadsman data in %s (key %s).\n# Without it the patients' records cannot be read, and changes to them cannot be proven.\n# Keep a copy away from this computer, and keep it secret.\n%s%s\n",
		dir, k.id, keyMark, base64.StdEncoding.EncodeToString(k.secret))
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err == nil {
		_, err = f.WriteString(text)
		err = errors.Join(err, f.Sync(), f.Close(), syncDir(filepath.Dir(path)))
	}
	if err != nil {
		return &Error{Op: "make the key file", Path: path, Err: fmt.Errorf("%w: %w", err, ErrKey),
			Hint: "name a place that you may write to, away from the data (--key)"}
	}
	return nil
}
