package lesson

import (
	"bytes"
	"crypto/aes"
	"crypto/cipher"
	"crypto/pbkdf2"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
)

// DefaultRounds is how often a passphrase is hashed to make a key: PBKDF2 with
// HMAC-SHA-256 (RFC 8018), 600,000 rounds (OWASP password storage cheat sheet,
// from memory). It makes guessing a poor passphrase slow and no more.
const DefaultRounds = 600_000

// Bounds of rounds in files: few enough that a file cannot hold the program up.
const leastRounds, mostRounds = 1, 5_000_000

// Sizes in bytes to which what is sealed is filled up, so that no length tells
// an answer.
const (
	benchSize  = 1536
	answerSize = 2048
)

// Keyring makes keys from one passphrase and keeps them: cases of one class share a
// salt, so that a class costs one key.
type Keyring struct {
	passphrase string
	keys       map[string][]byte
}

// NewKeyring begins with a passphrase. White space around it does not count, so that
// a passphrase file may end with a line end.
func NewKeyring(passphrase string) *Keyring {
	return &Keyring{passphrase: strings.TrimSpace(passphrase), keys: map[string][]byte{}}
}

// key derives the key of a salt.
func (k *Keyring) key(salt []byte, rounds int) ([]byte, error) {
	name := fmt.Sprintf("%x %d", salt, rounds)
	if key, ok := k.keys[name]; ok {
		return key, nil
	}
	key, err := pbkdf2.Key(sha256.New, k.passphrase, salt, rounds, 32)
	if err != nil {
		return nil, err
	}
	k.keys[name] = key
	return key, nil
}

// errPassphrase is the one answer to a wrong passphrase and to a changed file: which of
// them it is cannot be known.
var errPassphrase = errors.New("the answer does not open; the passphrase is not that of this class, or the file was changed")

// noise gives n random bytes.
func noise(n int) []byte {
	b := make([]byte, n)
	rand.Read(b) // it never fails (crypto/rand)
	return b
}

// seal encrypts what v writes as JSON, filled up with spaces to a multiple of
// size, bound to a label that is not secret: AES-GCM (NIST SP 800-38D) with a
// random nonce in front.
func seal(key []byte, label string, v any, size int) (string, error) {
	plain, err := json.Marshal(v)
	if err != nil {
		return "", err
	}
	if rest := len(plain) % size; rest != 0 || len(plain) == 0 {
		plain = append(plain, bytes.Repeat([]byte(" "), size-rest)...)
	}
	gcm, err := gcmOf(key)
	if err != nil {
		return "", err
	}
	nonce := noise(gcm.NonceSize())
	return base64.StdEncoding.EncodeToString(gcm.Seal(nonce, nonce, plain, []byte(label))), nil
}

// unseal opens what seal made.
func unseal(key []byte, label, text string, v any) error {
	box, err := base64.StdEncoding.DecodeString(text)
	if err != nil {
		return errPassphrase
	}
	gcm, err := gcmOf(key)
	if err != nil {
		return err
	}
	if len(box) < gcm.NonceSize() {
		return errPassphrase
	}
	plain, err := gcm.Open(nil, box[:gcm.NonceSize()], box[gcm.NonceSize():], []byte(label))
	if err != nil {
		return errPassphrase
	}
	return json.Unmarshal(plain, v)
}

func gcmOf(key []byte) (cipher.AEAD, error) {
	block, err := aes.NewCipher(key)
	if err != nil {
		return nil, err
	}
	return cipher.NewGCM(block)
}

// benchKey is the key under which the student's bench is sealed. It is made of
// what stands in this file and in the practice file: it keeps a curious eye out,
// and nobody who can read Go.
func benchKey(id string) []byte {
	sum := sha256.Sum256([]byte("halfsplit practice bench, kept from the eye only: " + id))
	return sum[:]
}

// Check is a salted hash of the parts that are bad, by which the student's own
// program can say whether a verdict is right. A board has some hundreds of
// possible answers, and all of them can be tried in seconds: so the hash takes a
// pepper, which is sealed with the bench. It says no more than the bench does, and
// to nobody else.
type Check struct {
	Salt   string // hex
	Rounds int
	Hash   string // hex
}

// newCheck hashes an answer: the names of what is bad, in any order.
func newCheck(bad []string, pepper string, rounds int) (Check, error) {
	salt := noise(16)
	sum, err := checkSum(bad, pepper, salt, rounds)
	return Check{hex.EncodeToString(salt), rounds, hex.EncodeToString(sum)}, err
}

func checkSum(bad []string, pepper string, salt []byte, rounds int) ([]byte, error) {
	names := slices.Clone(bad)
	slices.Sort(names)
	text := "nothing"
	if len(names) > 0 {
		text = strings.Join(slices.Compact(names), " + ")
	}
	return pbkdf2.Key(sha256.New, pepper+" "+text, salt, rounds, 32)
}

// Says tells whether these and no others are bad.
func (c Check) Says(bad []string, pepper string) (bool, error) {
	salt, err := hex.DecodeString(c.Salt)
	if err != nil {
		return false, err
	}
	want, err := hex.DecodeString(c.Hash)
	if err != nil {
		return false, err
	}
	got, err := checkSum(bad, pepper, salt, c.Rounds)
	return err == nil && subtle.ConstantTimeCompare(got, want) == 1, err
}
