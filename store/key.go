package store

import (
	"bytes"
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
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"filippo.io/age"
	"filippo.io/age/armor"
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
	copies string // opens copies of the file that are kept beside it
}

func newKeyring(secret []byte) (*keyring, error) {
	if len(secret) != secretSize {
		return nil, fmt.Errorf("%d bytes, not %d", len(secret), secretSize)
	}
	k := &keyring{secret: secret}
	var content, id, copies []byte
	for use, to := range map[string]*[]byte{"journal": &k.chain, "rows": &k.rows, "content": &content, "id": &id, "copies": &copies} {
		b, err := hkdf.Key(sha256.New, secret, nil, "leadsman "+use, secretSize)
		if err != nil {
			return nil, err
		}
		*to = b
	}
	k.id, k.copies = hex.EncodeToString(id[:8]), hex.EncodeToString(copies)
	block, err := aes.NewCipher(content)
	if err != nil {
		return nil, err
	}
	k.aead, err = cipher.NewGCMWithRandomNonce(block)
	return k, err
}

// seal encrypts what belongs to a place (a table and a key in it): it opens there and nowhere else.
func (k *keyring) seal(place string, plain []byte) []byte {
	return k.aead.Seal(nil, nil, plain, []byte(place)) // #nosec G407 -- nil asks this AEAD for a random nonce
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

// keySource says where a key lies.
type keySource struct {
	path string
	pass func() (string, error) // asks for the passphrase of a key file that is protected by one; nil: nobody can be asked
}

// readKey reads a key file; without one the error is fs.ErrNotExist.
func readKey(from keySource) (*keyring, error) {
	path := from.path
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
	if isProtected(b) {
		if b, err = unprotect(b, from.pass); err != nil {
			return nil, &Error{Op: "read the key file", Path: path, Err: fmt.Errorf("%v: %w", err, ErrKey), Hint: "it is protected by a passphrase: type it, or name a file that holds it (LEADSMAN_PASSPHRASE_FILE)"}
		}
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
	// Whole or not at all: half a key file would keep the next start from making one.
	f, err := os.CreateTemp(filepath.Dir(path), ".leadsman-key-*")
	if err == nil {
		defer os.Remove(f.Name())
		_, err = f.WriteString(k.file(dir))
		err = errors.Join(err, f.Sync(), f.Close())
	}
	if err == nil {
		if err = os.Link(f.Name(), path); err != nil && !errors.Is(err, fs.ErrExist) { // a disk without links
			if _, err = os.Lstat(path); errors.Is(err, fs.ErrNotExist) {
				err = os.Rename(f.Name(), path)
			} else if err == nil {
				err = fs.ErrExist
			}
		}
	}
	if err == nil {
		err = syncDir(filepath.Dir(path))
	}
	if err != nil {
		return &Error{Op: "make the key file", Path: path, Err: fmt.Errorf("%w: %w", err, ErrKey),
			Hint: "name a place that you may write to, away from the data (--key)"}
	}
	return nil
}

// file is what stands in the key file of a data folder.
func (k *keyring) file(dir string) string {
	return fmt.Sprintf("# The key of the Leadsman data in %s (key %s).\n# Without it the patients' records cannot be read, and changes to them cannot be proven.\n# Keep a copy away from this computer, and keep it secret.\n%s%s\n",
		dir, k.id, keyMark, base64.StdEncoding.EncodeToString(k.secret))
}

// isProtected reports whether a key file is protected by a passphrase.
func isProtected(file []byte) bool {
	return bytes.HasPrefix(bytes.TrimSpace(file), []byte(armor.Header))
}

func unprotect(file []byte, pass func() (string, error)) ([]byte, error) {
	if pass == nil {
		return nil, errors.New("no passphrase was given")
	}
	p, err := pass()
	if err != nil {
		return nil, err
	}
	id, err := age.NewScryptIdentity(p)
	if err != nil {
		return nil, errors.New("the passphrase is empty")
	}
	r, err := age.Decrypt(armor.NewReader(bytes.NewReader(bytes.TrimSpace(file))), id)
	if err != nil {
		return nil, errors.New("the passphrase is not the right one")
	}
	return io.ReadAll(r)
}

// Key describes a key file.
type Key struct {
	Path      string
	ID        string
	Protected bool   // by a passphrase
	Words     string // the key itself, the line that the file holds
}

// ReadKey reads the key file of a data folder.
func ReadKey(dir string, opts ...Option) (Key, error) {
	o := optionsOf(dir, opts)
	k, err := readKey(o.source)
	if errors.Is(err, fs.ErrNotExist) {
		err = &Error{Op: "read the key file", Path: o.source.path, Err: fmt.Errorf("it is not there: %w", ErrKey), Hint: "leadsman serve makes one with new data; name another with --key"}
	}
	if err != nil {
		return Key{}, err
	}
	b, err := os.ReadFile(o.source.path)
	return Key{o.source.path, k.id, isProtected(b), keyMark + base64.StdEncoding.EncodeToString(k.secret)}, err
}

// ProtectKey writes the key file of a data folder anew: protected by a passphrase, or in clear for "". The key stays the same.
func ProtectKey(dir, passphrase string, opts ...Option) error {
	const op = "write the key file"
	o := optionsOf(dir, opts)
	k, err := readKey(o.source)
	if err != nil {
		return err
	}
	path := o.source.path
	fail := func(err error) error {
		return &Error{Op: op, Path: path, Err: err, Hint: "the former file is still there"}
	}
	var out bytes.Buffer
	if passphrase == "" {
		out.WriteString(k.file(dir))
	} else {
		to, err := age.NewScryptRecipient(passphrase)
		if err != nil {
			return fail(err)
		}
		a := armor.NewWriter(&out)
		w, err := age.Encrypt(a, to)
		if err == nil {
			_, err = io.WriteString(w, k.file(dir))
			err = errors.Join(err, w.Close(), a.Close())
		}
		if err != nil {
			return fail(err)
		}
	}
	tmp, err := os.CreateTemp(filepath.Dir(path), ".leadsman-key-*")
	if err != nil {
		return fail(err)
	}
	defer os.Remove(tmp.Name())
	_, err = tmp.Write(out.Bytes())
	if err = errors.Join(err, tmp.Close()); err != nil {
		return fail(err)
	}
	return install(tmp.Name(), path)
}
