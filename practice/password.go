package practice

import (
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"fmt"
	"strings"
	"unicode/utf8"

	"golang.org/x/crypto/argon2"
	"golang.org/x/text/unicode/norm"
)

// How passwords are kept: argon2id with the second recommended choice of RFC 9106, section 4, for machines with little memory.
const (
	argonTime    = 3
	argonMemory  = 64 << 10 // KiB
	argonThreads = 4
	saltSize     = 16
	hashSize     = 32
)

// Bounds of passwords: OWASP ASVS 5.0, 6.2.1 asks for 8 characters at least; the upper one keeps nonsense away.
const (
	minPassword = 8
	maxPassword = 1000
)

// hashing lets as many passwords be worked out at once as a small machine has memory for.
var hashing = make(chan bool, 2)

func argon(password string, salt []byte, time, memory uint32, threads uint8, size uint32) []byte {
	hashing <- true
	defer func() { <-hashing }()
	return argon2.IDKey([]byte(norm.NFKC.String(password)), salt, time, memory, threads, size)
}

// hashPassword makes the form in which a password is kept (PHC string), or says why it is none.
func hashPassword(password string) (string, error) {
	switch n := utf8.RuneCountInString(password); {
	case n < minPassword:
		return "", fmt.Errorf("password: use at least %d characters; several words are easy to remember: %w", minPassword, ErrInvalid)
	case len(password) > maxPassword:
		return "", fmt.Errorf("password: at most %d bytes: %w", maxPassword, ErrInvalid)
	}
	salt := make([]byte, saltSize)
	rand.Read(salt) // never fails
	b := base64.RawStdEncoding
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, argonMemory, argonTime, argonThreads,
		b.EncodeToString(salt), b.EncodeToString(argon(password, salt, argonTime, argonMemory, argonThreads, hashSize))), nil
}

// nobody's password is worked out where there is no account, so that the time does not tell.
var nobodys = "$argon2id$v=19$m=65536,t=3,p=4$" + base64.RawStdEncoding.EncodeToString(make([]byte, saltSize)) + "$" + base64.RawStdEncoding.EncodeToString(make([]byte, hashSize))

// checkPassword reports whether a password is the one that was kept; "" is nobody's.
func checkPassword(kept, password string) bool {
	if kept == "" {
		checkPassword(nobodys, password)
		return false
	}
	if len(password) > maxPassword {
		return false
	}
	var v int
	var memory, time uint32
	var threads uint8
	part := strings.Split(kept, "$")
	if len(part) != 6 || part[1] != "argon2id" {
		return false
	}
	if _, err := fmt.Sscanf(part[2]+" "+part[3], "v=%d m=%d,t=%d,p=%d", &v, &memory, &time, &threads); err != nil || v != argon2.Version {
		return false
	}
	salt, err := base64.RawStdEncoding.DecodeString(part[4])
	if err != nil {
		return false
	}
	want, err := base64.RawStdEncoding.DecodeString(part[5])
	if err != nil || len(want) == 0 {
		return false
	}
	return subtle.ConstantTimeCompare(want, argon(password, salt, time, memory, threads, uint32(len(want)))) == 1
}
