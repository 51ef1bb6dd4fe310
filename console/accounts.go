package console

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/goccy/go-yaml"
	"golang.org/x/crypto/argon2"

	"calandria/plant"
	"calandria/plant/files"
	"calandria/plant/words"
)

// Role is what an account may do; each may do what the one before it may.
type Role string

// The roles, least first. IEC 62443-3-3 SR 2.1 asks for roles and least
// privilege; that out of service is for an authorised role, ISA-18.2.
const (
	Viewer     Role = "viewer"     // looks
	Operator   Role = "operator"   // acknowledges, shelves, comments, records
	Supervisor Role = "supervisor" // takes alarms out of service, shelves what is highly managed
	Engineer   Role = "engineer"   // tries other limits on the archive
)

var roles = []Role{Viewer, Operator, Supervisor, Engineer}

// Account is a person's.
type Account struct {
	Name     string `yaml:"name"`
	Role     Role   `yaml:"role"`
	Password string `yaml:"password"` // hash, see hashPassword
}

// Token is a program's: it may look, nothing more.
type Token struct {
	Name   string `yaml:"name"`
	SHA256 string `yaml:"sha256"`
	Until  string `yaml:"until"` // its last day, UTC, such as 2027-01-31; empty: no end
}

// end is when the token ends, the zero time if it does not.
func (t *Token) end() (time.Time, error) {
	if t.Until == "" {
		return time.Time{}, nil
	}
	day, err := time.Parse(time.DateOnly, t.Until)
	return day.AddDate(0, 0, 1), err
}

// Accounts is the content of an accounts file.
type Accounts struct {
	Users  []Account `yaml:"users"`
	Tokens []Token   `yaml:"tokens"`
}

// minPassword is the shortest password, in characters.
const minPassword = 12

// LoadAccounts reads an accounts file. Its group may read it at the most, others
// may not. Faults are plant.Faults, or say what to do.
func LoadAccounts(path string) (*Accounts, error) {
	info, err := os.Stat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, words.Errorf("accounts file %s does not exist: make the first account with 'calandria user add'", path)
	}
	if err != nil {
		return nil, words.Errorf("accounts file: %s", err)
	}
	if info.Mode().Perm()&0o037 != 0 {
		return nil, words.Errorf("accounts file %s can be read or changed by others (mode %04o): set its mode to 0600, or 0640", path, int(info.Mode().Perm()))
	}
	b, err := files.Read(path, plant.MaxFileBytes)
	if err != nil {
		return nil, words.Errorf("accounts file: %s", err)
	}
	return ParseAccounts(path, b)
}

// ParseAccounts reads the text of an accounts file; path is for its faults.
func ParseAccounts(path string, text []byte) (*Accounts, error) {
	var a Accounts
	doc, faults := plant.DecodeYAML(path, text, &a)
	if len(faults) == 0 {
		faults = a.check(doc)
	}
	if err := faults.Err(); err != nil {
		return nil, err
	}
	return &a, nil
}

// SalvageAccounts takes the entries of a damaged accounts file that are whole.
func SalvageAccounts(text []byte) *Accounts {
	var out Accounts
	var entry []string
	take := func() {
		for _, section := range []string{"users:\n", "tokens:\n"} {
			var one Accounts
			doc, faults := plant.DecodeYAML("", []byte(section+strings.Join(entry, "")), &one)
			for _, f := range one.check(doc) {
				if f.Field != "users" { // there is no account: it is a token
					faults = append(faults, f)
				}
			}
			if len(faults) > 0 {
				continue
			}
			for _, u := range one.Users {
				if _, there := out.Find(u.Name); !there {
					out.Users = append(out.Users, u)
				}
			}
			out.Tokens = append(out.Tokens, one.Tokens...)
		}
		entry = nil
	}
	for line := range strings.Lines(string(text)) {
		switch {
		case !strings.HasPrefix(line, " ") && !strings.HasPrefix(line, "-"):
			take()
		case strings.HasPrefix(strings.TrimSpace(line), "- "):
			take()
			fallthrough
		case len(entry) > 0:
			entry = append(entry, line)
		}
	}
	take()
	return &out
}

func (a *Accounts) check(doc *plant.Document) (faults plant.Faults) {
	fault := func(field string, problem, fix words.Text) { faults = append(faults, doc.Fault(field, problem, fix)) }
	if len(a.Users) == 0 {
		fault("users", "there is no account", "make the first one with 'calandria user add'")
	}
	seen := map[string]bool{}
	for i, u := range a.Users {
		at := fmt.Sprintf("users[%d]", i)
		if name, err := cleanText("Name", u.Name, maxName); err != nil || name == "" || name != u.Name {
			fault(at+".name", words.Say("%q is no name", u.Name), words.Say("write 1 to %d characters, no control characters, no space at the ends", maxName))
		}
		if key := strings.ToLower(u.Name); seen[key] {
			fault(at+".name", words.Say("%q is there twice", u.Name), "keep one of them")
		} else {
			seen[key] = true
		}
		if !slices.Contains(roles, u.Role) {
			fault(at+".role", words.Say("there is no role %q", u.Role), words.Say("the roles are %v", roles))
		}
		if _, _, err := splitHash(u.Password); err != nil {
			fault(at+".password", words.Say("the hash %s", err), "set the password with 'calandria user password'")
		}
	}
	for i, t := range a.Tokens {
		at := fmt.Sprintf("tokens[%d]", i)
		if t.Name == "" {
			fault(at+".name", "a token has a name", "say what uses it")
		}
		if b, err := hex.DecodeString(t.SHA256); err != nil || len(b) != sha256.Size {
			fault(at+".sha256", "is not the SHA-256 of a token", "make one with 'calandria user token'")
		}
		if _, err := t.end(); err != nil {
			fault(at+".until", words.Say("%q is no day", t.Until), "write it like 2027-01-31")
		}
	}
	return faults
}

// Save writes an accounts file, whole or not at all: a new one for its owner
// only, otherwise with owner and mode as they are.
func (a *Accounts) Save(path string) error {
	b, err := yaml.Marshal(a)
	if err != nil {
		return fmt.Errorf("write accounts: %w", err)
	}
	return files.Write(path, []byte("# Accounts of the console. Written by 'calandria user'; it holds hashes, no passwords.\n"+string(b)), 0o600)
}

// Find returns the account of a name; upper and lower case are the same.
func (a *Accounts) Find(name string) (*Account, bool) {
	for i := range a.Users {
		if strings.EqualFold(a.Users[i].Name, name) {
			return &a.Users[i], true
		}
	}
	return nil, false
}

// Set gives an account its role and password, and makes it if it is not there.
func (a *Accounts) Set(name string, role Role, password string) error {
	hash, err := hashPassword(name, password)
	if err != nil {
		return err
	}
	if u, ok := a.Find(name); ok {
		u.Role, u.Password = role, hash
		return nil
	}
	a.Users = append(a.Users, Account{Name: name, Role: role, Password: hash})
	return nil
}

// Remove takes out the account or the tokens of a name, and reports whether
// there was any.
func (a *Accounts) Remove(name string) bool {
	n := len(a.Users) + len(a.Tokens)
	a.Users = slices.DeleteFunc(a.Users, func(u Account) bool { return strings.EqualFold(u.Name, name) })
	a.Tokens = slices.DeleteFunc(a.Tokens, func(t Token) bool { return t.Name == name })
	return len(a.Users)+len(a.Tokens) < n
}

// changes says in words how the accounts of before differ from these.
func (a *Accounts) changes(before *Accounts) string {
	var out []string
	for _, u := range a.Users {
		was, ok := before.Find(u.Name)
		switch {
		case !ok:
			out = append(out, fmt.Sprintf("%s added as %s", u.Name, u.Role))
		case was.Role != u.Role:
			out = append(out, fmt.Sprintf("%s is %s, was %s", u.Name, u.Role, was.Role))
		}
		if ok && was.Password != u.Password {
			out = append(out, u.Name+" has another password")
		}
	}
	for _, u := range before.Users {
		if _, ok := a.Find(u.Name); !ok {
			out = append(out, u.Name+" removed")
		}
	}
	has := func(list []Token, t Token) bool { return slices.Contains(list, t) }
	for _, t := range a.Tokens {
		if !has(before.Tokens, t) {
			out = append(out, "token "+t.Name+" added")
		}
	}
	for _, t := range before.Tokens {
		if !has(a.Tokens, t) {
			out = append(out, "token "+t.Name+" removed")
		}
	}
	return strings.Join(out, "; ")
}

// NewToken makes a token and returns its text, which is not stored.
func (a *Accounts) NewToken(name, until string) string {
	text := rand.Text()
	sum := sha256.Sum256([]byte(text))
	a.Tokens = append(a.Tokens, Token{Name: name, SHA256: hex.EncodeToString(sum[:]), Until: until})
	return text
}

// token finds the token with this text.
func (a *Accounts) token(text string, now time.Time) (name string, ok bool) {
	sum := sha256.Sum256([]byte(text))
	mark := hex.EncodeToString(sum[:])
	for _, t := range a.Tokens {
		end, err := t.end()
		if subtle.ConstantTimeCompare([]byte(mark), []byte(strings.ToLower(t.SHA256))) == 1 && err == nil && (end.IsZero() || now.Before(end)) {
			name, ok = t.Name, true
		}
	}
	return name, ok
}

// Argon2id with the second set of parameters that RFC 9106 (section 4)
// recommends, 64 MiB, but one pass on two lanes: about a tenth of a second on a
// small machine. They stand in the hash, so they can change.
const (
	argonTime    = 1
	argonMemory  = 64 << 10 // KiB
	argonThreads = 2
	argonKey     = 32
	argonSalt    = 16
)

// ordinary passwords and what they are made of; a password that consists of
// these, the name and digits is refused.
var ordinary = []string{"password", "passwort", "calandria", "evaporator", "boilinghouse", "sugar", "operator", "supervisor", "engineer", "admin", "qwerty", "qwertz", "azerty", "letmein", "welcome", "abc", "xyz"}

// hashPassword checks a new password and hashes it for storage in the form
// that the reference implementation of Argon2 prints.
func hashPassword(name, password string) (string, error) {
	switch n := utf8.RuneCountInString(password); {
	case n < minPassword:
		return "", fmt.Errorf("the password has %d characters; it needs at least %d", n, minPassword)
	case len(password) > 256:
		return "", errors.New("the password is longer than 256 bytes")
	}
	left := strings.ToLower(password)
	for _, w := range append(slices.Clone(ordinary), strings.Fields(strings.ToLower(name))...) {
		left = strings.ReplaceAll(left, w, "")
	}
	different := map[rune]bool{}
	for _, r := range left {
		if r < '0' || r > '9' {
			different[r] = true
		}
	}
	if len(different) < 4 {
		return "", errors.New("the password is too easy to guess: use several words that do not belong together")
	}
	salt := make([]byte, argonSalt)
	rand.Read(salt)
	b64 := base64.RawStdEncoding
	key := argon2.IDKey([]byte(password), salt, argonTime, argonMemory, argonThreads, argonKey)
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, argonMemory, argonTime, argonThreads, b64.EncodeToString(salt), b64.EncodeToString(key)), nil
}

// splitHash takes a stored hash apart; hash works it out for a password.
func splitHash(stored string) (key []byte, hash func(password string) []byte, err error) {
	var version, memory, passes, lanes int
	part := strings.Split(stored, "$")
	if len(part) != 6 || part[1] != "argon2id" {
		return nil, nil, words.Errorf("is not an argon2id hash")
	}
	if _, err := fmt.Sscanf(part[2], "v=%d", &version); err != nil || version != argon2.Version {
		return nil, nil, words.Errorf("is of another version of argon2")
	}
	if _, err := fmt.Sscanf(part[3], "m=%d,t=%d,p=%d", &memory, &passes, &lanes); err != nil ||
		memory < 8*lanes || memory > 1<<20 || passes < 1 || passes > 100 || lanes < 1 || lanes > 64 {
		return nil, nil, words.Errorf("has parameters out of range")
	}
	salt, err := base64.RawStdEncoding.DecodeString(part[4])
	if err != nil || len(salt) < 8 || len(salt) > 64 {
		return nil, nil, words.Errorf("has a damaged salt")
	}
	if key, err = base64.RawStdEncoding.DecodeString(part[5]); err != nil || len(key) < 16 || len(key) > 64 {
		return nil, nil, words.Errorf("is damaged")
	}
	return key, func(password string) []byte {
		return argon2.IDKey([]byte(password), salt, uint32(passes), uint32(memory), uint8(lanes), uint32(len(key)))
	}, nil
}

// verify reports whether a password belongs to a stored hash. It takes as long
// if there is none.
func verify(stored, password string) bool {
	key, hash, err := splitHash(stored)
	if err != nil {
		argon2.IDKey([]byte(password), make([]byte, argonSalt), argonTime, argonMemory, argonThreads, argonKey)
		return false
	}
	return subtle.ConstantTimeCompare(hash(password), key) == 1
}
