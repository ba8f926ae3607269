package hub

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"fmt"
	"math/big"
	"net"
	"strings"
	"time"

	"pinchrod/store/journal"
	"pinchrod/sync/exchange"
)

const notePages = "hub/pages"

// pagesLife is how long the certificate that the hub makes itself is good for.
// Some browsers refuse one of more than 825 days.
const pagesLife = 825 * 24 * time.Hour

type wirePages struct {
	Certificate []byte `cbor:"1,keyasint"`
	Key         []byte `cbor:"2,keyasint"` // PKCS #8
}

// PagesTLS returns what the pages need for HTTPS: the workshop's certificate,
// from its files; or, when none are named, one that the hub makes for these
// hosts and keeps in its margin. The browser asks its user about that one.
func PagesTLS(b exchange.Book, certFile, keyFile string, hosts []string, now time.Time) (*tls.Config, error) {
	var c tls.Certificate
	var err error
	if certFile != "" || keyFile != "" {
		c, err = tls.LoadX509KeyPair(certFile, keyFile)
	} else {
		c, err = ownPagesCertificate(b, hosts, now)
	}
	if err != nil {
		return nil, fmt.Errorf("the pages' certificate: %w", err)
	}
	return &tls.Config{MinVersion: tls.VersionTLS13, Certificates: []tls.Certificate{c}, NextProtos: []string{"h2", "http/1.1"}}, nil
}

// ownPagesCertificate returns the certificate from the margin if it is still
// good for a month, and for these hosts; else a new one.
func ownPagesCertificate(b exchange.Book, hosts []string, now time.Time) (tls.Certificate, error) {
	notes, err := b.Margin(notePages)
	if err != nil {
		return tls.Certificate{}, err
	}
	var w wirePages
	if v := notes[notePages]; v != nil {
		if err := journal.Unmarshal(v, &w); err != nil {
			return tls.Certificate{}, err
		}
		leaf, err := x509.ParseCertificate(w.Certificate)
		if err == nil && leaf.NotBefore.Before(now) && leaf.NotAfter.After(now.AddDate(0, 1, 0)) && covers(leaf, hosts) {
			return pagesCertificate(w)
		}
	}
	if w, err = makePagesCertificate(hosts, now); err != nil {
		return tls.Certificate{}, err
	}
	v, err := journal.Marshal(w)
	if err == nil {
		err = b.SetMargin(map[string][]byte{notePages: v})
	}
	if err != nil {
		return tls.Certificate{}, err
	}
	return pagesCertificate(w)
}

// Fingerprint is a certificate's SHA-256 as browsers show it, for a person to
// compare; empty without one.
func Fingerprint(c *tls.Config) string {
	if c == nil || len(c.Certificates) == 0 || len(c.Certificates[0].Certificate) == 0 {
		return ""
	}
	sum := sha256.Sum256(c.Certificates[0].Certificate[0])
	return strings.ReplaceAll(fmt.Sprintf("% X", sum[:]), " ", ":")
}

func covers(leaf *x509.Certificate, hosts []string) bool {
	for _, h := range hosts {
		if leaf.VerifyHostname(h) != nil {
			return false
		}
	}
	return true
}

func makePagesCertificate(hosts []string, now time.Time) (wirePages, error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader) // browsers do not take Ed25519
	if err != nil {
		return wirePages{}, err
	}
	serial, err := rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 127)) // RFC 5280 section 4.1.2.2: at most 20 bytes
	if err != nil {
		return wirePages{}, err
	}
	template := &x509.Certificate{
		SerialNumber: serial,
		Subject:      pkix.Name{CommonName: "Workshop hub"},
		NotBefore:    now.Add(-time.Hour), // for a browser whose clock is behind
		NotAfter:     now.Add(pagesLife - time.Hour),
		KeyUsage:     x509.KeyUsageDigitalSignature,
		ExtKeyUsage:  []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
	}
	for _, h := range hosts {
		if ip := net.ParseIP(h); ip != nil {
			template.IPAddresses = append(template.IPAddresses, ip)
		} else {
			template.DNSNames = append(template.DNSNames, h)
		}
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, key.Public(), key)
	if err != nil {
		return wirePages{}, err
	}
	pkcs8, err := x509.MarshalPKCS8PrivateKey(key)
	return wirePages{der, pkcs8}, err
}

func pagesCertificate(w wirePages) (tls.Certificate, error) {
	key, err := x509.ParsePKCS8PrivateKey(w.Key)
	if err != nil {
		return tls.Certificate{}, err
	}
	return tls.Certificate{Certificate: [][]byte{w.Certificate}, PrivateKey: key}, nil
}
