package practice

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/hex"
)

// feedScope keeps the hash of the secret in the address of the calendar feed: whoever reads the data does not learn the address.
const (
	feedScope = "feed"
	keySecret = "secret"
)

// Feed reports whether the calendar can be read at a secret address.
func (p *Practice) Feed(ctx context.Context) (open bool, err error) {
	kv, err := p.records.Settings(ctx, feedScope)
	return kv[keySecret] != "", err
}

// OpenFeed makes a secret for the address of the calendar feed and gives it, this once; the one before works no more.
func (p *Practice) OpenFeed(ctx context.Context) (secret string, err error) {
	secret = rand.Text() + rand.Text()
	return secret, p.records.SetSettings(ctx, feedScope, map[string]string{keySecret: hashOf(secret)})
}

// WithdrawFeed ends the address.
func (p *Practice) WithdrawFeed(ctx context.Context) error {
	return p.records.SetSettings(ctx, feedScope, map[string]string{keySecret: ""})
}

// FeedAt fails with ErrNotFound unless the secret is the one that is in force.
func (p *Practice) FeedAt(ctx context.Context, secret string) error {
	kv, err := p.records.Settings(ctx, feedScope)
	if err != nil {
		return err
	}
	if want := kv[keySecret]; want == "" || subtle.ConstantTimeCompare([]byte(want), []byte(hashOf(secret))) != 1 {
		return ErrNotFound
	}
	return nil
}

func hashOf(s string) string {
	h := sha256.Sum256([]byte(s))
	return hex.EncodeToString(h[:])
}
