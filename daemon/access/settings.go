package access

import (
	"fmt"
	"maps"
	"slices"

	"facetd.example/api/invalid"
)

// What loopback addresses ask for.
const (
	Free    = "free"
	Checked = "checked"
)

// AnyName stands in TLS.Clients for every name that is not there.
const AnyName = "*"

// Settings are the part of the daemon's configuration about access. The fields with a
// yaml name are the schema of the configuration file.
type Settings struct {
	// Loopback is what loopback addresses ask for: free (nothing: whoever can run
	// programs on this machine may operate) or checked (a token). The Unix socket never
	// asks: the mode of its file says who may connect.
	Loopback string `yaml:"loopback"`
	// TLS is what addresses that are not loopback ones speak, version 1.3 at least.
	TLS TLS `yaml:"tls"`
	// Tokens is a file of tokens, a line each: name, role, date of expiry, SHA-256 of
	// the token. 'facetd token new' makes such lines. Empty means that none counts.
	Tokens string `yaml:"tokens"`
}

// TLS names the daemon's certificate and says whose certificates count.
type TLS struct {
	// Certificate is a PEM file of the daemon's certificate, with the chain up to its
	// authority.
	Certificate string `yaml:"certificate"`
	// Key is the PEM file of the certificate's private key. One that others than its owner and
	// its group may read is refused.
	Key string `yaml:"key"`
	// ClientCA is a PEM file of the authorities whose client certificates count; empty
	// means that none does.
	ClientCA string `yaml:"client_ca"`
	// CRL is a PEM or DER file of the authorities' certificate revocation lists (RFC
	// 5280). Past the date of the next list every certificate of that authority is
	// refused. Empty means that nothing is revoked.
	CRL string `yaml:"crl"`
	// Clients is the role, viewer or operator, of each client certificate by the common
	// name of its subject; "*" stands for all others. A certificate that is neither has
	// no role.
	Clients map[string]string `yaml:"clients"`
}

// DefaultSettings leave loopback addresses free and allow no others.
func DefaultSettings() Settings { return Settings{Loopback: Free} }

// Remote reports whether addresses that are not loopback ones may be listened on.
func (s *Settings) Remote() bool {
	return s.TLS.Certificate != "" && s.TLS.Key != "" && (s.TLS.ClientCA != "" || s.Tokens != "")
}

// RemoteHint says what to do about an address that may not be listened on.
const RemoteHint = "give access.tls.certificate and access.tls.key, and access.tls.client_ca or access.tokens"

// Check finds everything wrong with the settings by themselves, with paths below
// "access".
func (s *Settings) Check(m *invalid.Errors) {
	switch {
	case s.Loopback != Free && s.Loopback != Checked:
		m.Add("access.loopback", fmt.Sprintf("%q is not possible", s.Loopback), "use free or checked")
	case s.Loopback == Checked && s.Tokens == "":
		m.Add("access.loopback", "nobody could connect: there are no tokens", "give access.tokens, or use free")
	}
	t := &s.TLS
	both := func(have, lack, haveName, lackName string) {
		if have != "" && lack == "" {
			m.Add("access.tls."+haveName, "it is of no use without access.tls."+lackName, "give both or neither")
		}
	}
	both(t.Certificate, t.Key, "certificate", "key")
	both(t.Key, t.Certificate, "key", "certificate")
	both(t.ClientCA, t.Certificate, "client_ca", "certificate")
	both(t.CRL, t.ClientCA, "crl", "client_ca")
	if t.ClientCA != "" && len(t.Clients) == 0 {
		m.Add("access.tls.client_ca", "no certificate would have a role",
			`give access.tls.clients, such as {bench: operator, "*": viewer}`)
	}
	if t.ClientCA == "" && len(t.Clients) > 0 {
		m.Add("access.tls.clients", "no certificate counts without access.tls.client_ca", "give both or neither")
	}
	for _, name := range slices.Sorted(maps.Keys(t.Clients)) {
		if _, err := ParseRole(t.Clients[name]); err != nil || name == "" {
			m.Add("access.tls.clients", fmt.Sprintf("%q: %q is not possible", name, t.Clients[name]),
				"give a common name, and viewer or operator")
		}
	}
}

// Files are the fields that name files, so that their names can be changed.
func (s *Settings) Files() []*string {
	return []*string{&s.TLS.Certificate, &s.TLS.Key, &s.TLS.ClientCA, &s.TLS.CRL, &s.Tokens}
}
