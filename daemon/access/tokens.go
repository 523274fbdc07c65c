package access

import (
	"bufio"
	"bytes"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"encoding/hex"
	"fmt"
	"regexp"
	"strings"
	"time"

	"facetd.example/api/invalid"
)

// Limits of the token file.
const (
	maxTokens     = 1024
	maxTokenFile  = 1 << 20
	maxTokenBytes = 512 // of a token that a caller shows
	tokenPrefix   = "facetd_"
	digestPrefix  = "sha256:"
)

// nameForm is what a token's name may be, so that lines can be split at spaces and
// names stand in the log as they are.
var nameForm = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9._@-]{0,63}$`)

// Token is a line of the token file.
type Token struct {
	Name string
	Role Role
	// Expires is the first instant at which the token no longer counts.
	Expires time.Time
	// Digest is the SHA-256 of the token as it is shown.
	Digest [sha256.Size]byte
}

// NewToken makes a token of 256 random bits, and the line by which the daemon knows it.
// The token itself is kept nowhere.
func NewToken(name string, role Role, expires time.Time) (token string, line Token, err error) {
	if !nameForm.MatchString(name) {
		return "", Token{}, fmt.Errorf("%q is not a name; use up to 64 letters, digits and . _ @ -, beginning with "+
			"a letter or digit", name)
	}
	if role != Viewer && role != Operator {
		return "", Token{}, fmt.Errorf("a token needs a role, viewer or operator")
	}
	secret := make([]byte, 32)
	if _, err := rand.Read(secret); err != nil {
		return "", Token{}, err
	}
	token = tokenPrefix + base64.RawURLEncoding.EncodeToString(secret)
	return token, Token{Name: name, Role: role, Expires: expires.UTC().Truncate(time.Second),
		Digest: sha256.Sum256([]byte(token))}, nil
}

// Line is the token's line of the file, without an end of line.
func (t *Token) Line() string {
	return fmt.Sprintf("%s %s %s %s%s", t.Name, t.Role, t.Expires.UTC().Format(time.RFC3339), digestPrefix,
		hex.EncodeToString(t.Digest[:]))
}

// ParseTokens reads a token file: on every line a name, the role, the date of expiry
// and sha256: with the digest in hexadecimal, with spaces between them; lines that are
// empty or begin with # are ignored. A date such as 2030-06-01 counts to the end
// of that day in UTC; 2030-06-01T12:00:00Z to the second. file stands in the errors.
func ParseTokens(file string, data []byte) ([]Token, invalid.Errors) {
	var m invalid.Errors
	wrong := func(line int, message, hint string) {
		m = append(m, invalid.Error{File: file, Line: line, Message: message, Hint: hint})
	}
	if len(data) > maxTokenFile {
		wrong(0, fmt.Sprintf("the file has %d bytes", len(data)), fmt.Sprintf("at most %d are read", maxTokenFile))
		return nil, m
	}
	var tokens []Token
	seen := map[string]int{}
	scan := bufio.NewScanner(bytes.NewReader(data))
	scan.Buffer(nil, maxTokenFile+1)
	for n := 1; scan.Scan(); n++ {
		text := strings.TrimSpace(scan.Text())
		if text == "" || strings.HasPrefix(text, "#") {
			continue
		}
		t, err := parseToken(strings.Fields(text))
		switch {
		case err != nil:
			wrong(n, err.Error(), "'facetd token new' makes such lines")
		case seen[t.Name] > 0:
			wrong(n, fmt.Sprintf("the name %s is on line %d already", t.Name, seen[t.Name]),
				"give every token a name of its own")
		default:
			seen[t.Name] = n
			tokens = append(tokens, t)
		}
	}
	if len(tokens) > maxTokens {
		wrong(0, fmt.Sprintf("there are %d tokens", len(tokens)), fmt.Sprintf("at most %d are possible", maxTokens))
	}
	if len(m) > 0 {
		return nil, m
	}
	return tokens, nil
}

// parseToken never puts what may be a token into an error.
func parseToken(fields []string) (Token, error) {
	var t Token
	if len(fields) != 4 {
		return t, fmt.Errorf("there are %d words, not the 4 of name, role, expiry and digest", len(fields))
	}
	if t.Name = fields[0]; !nameForm.MatchString(t.Name) {
		return t, fmt.Errorf("the first word is not a name")
	}
	var err error
	if t.Role, err = ParseRole(fields[1]); err != nil {
		return t, fmt.Errorf("the role of %s is neither viewer nor operator", t.Name)
	}
	if t.Expires, err = parseExpiry(fields[2]); err != nil {
		return t, fmt.Errorf("the expiry of %s is not a date such as 2030-06-01 or 2030-06-01T12:00:00Z", t.Name)
	}
	text, is := strings.CutPrefix(fields[3], digestPrefix)
	digest, err := hex.DecodeString(text)
	if !is || err != nil || len(digest) != sha256.Size {
		return t, fmt.Errorf("the last word of %s is not %s and 64 hexadecimal digits; a token itself must never "+
			"stand here", t.Name, digestPrefix)
	}
	copy(t.Digest[:], digest)
	return t, nil
}

func parseExpiry(s string) (time.Time, error) {
	if day, err := time.Parse(time.DateOnly, s); err == nil {
		return day.AddDate(0, 0, 1), nil
	}
	return time.Parse(time.RFC3339, s)
}

// find returns the token that was shown. It looks at every line whatever it finds, and
// compares digests in constant time, so that its time says nothing of the lines.
func find(tokens []Token, digest [sha256.Size]byte) *Token {
	at := -1
	for i := range tokens {
		same := subtle.ConstantTimeCompare(tokens[i].Digest[:], digest[:])
		at = subtle.ConstantTimeSelect(same, i, at)
	}
	if at < 0 {
		return nil
	}
	return &tokens[at]
}
