// Package store puts files into object storage through the S3 interface, and fetches them. An upload that broke off,
// on whichever side, goes on where the storage says that it has come: nothing is kept here.
package store

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/minio/minio-go/v7"
	"github.com/minio/minio-go/v7/pkg/credentials"
)

// Config says where a bucket is, and how it is reached.
type Config struct {
	// Bucket is https://HOST[:PORT]/BUCKET[/FOLDER]; http where it is on this machine.
	Bucket string
	// Region, as the storage has it.
	Region string
	// AccessKey and SecretKey of the storage.
	AccessKey, SecretKey string
	// CA are the authorities that may have signed the storage's certificate; nil means those of the system.
	CA *x509.CertPool
}

// Store is a folder of a bucket.
type Store struct {
	core           *minio.Core
	bucket, folder string
	where          string
}

// stall is how long nothing may move before a request is given up: a storage that hangs must not be waited for.
const stall = 30 * time.Second

// Open makes a store ready for use; nothing is sent yet. The error says what is wrong with the configuration.
func Open(c Config) (*Store, error) {
	u, err := url.Parse(c.Bucket)
	if err != nil {
		return nil, err
	}
	bucket, folder, _ := strings.Cut(strings.Trim(u.Path, "/"), "/")
	if u.Scheme != "https" && u.Scheme != "http" || u.Host == "" || bucket == "" || u.User != nil || u.RawQuery != "" {
		return nil, fmt.Errorf("%q: give https://HOST/BUCKET, or https://HOST/BUCKET/FOLDER", c.Bucket)
	}
	if u.Scheme == "http" && !local(u.Hostname()) {
		return nil, fmt.Errorf("%q: over plain http recordings can be read on the way; give https", c.Bucket)
	}
	transport := &http.Transport{
		DialContext:         (&net.Dialer{Timeout: 10 * time.Second, KeepAlive: 10 * time.Second}).DialContext,
		TLSHandshakeTimeout: 10 * time.Second, ResponseHeaderTimeout: stall, IdleConnTimeout: time.Minute,
		TLSClientConfig: &tls.Config{RootCAs: c.CA, MinVersion: tls.VersionTLS12},
		// Little of what is sent may lie in a buffer here: the rate is kept by how much is handed over.
		WriteBufferSize: 16 << 10, DisableCompression: true,
	}
	core, err := minio.NewCore(u.Host, &minio.Options{Creds: credentials.NewStaticV4(c.AccessKey, c.SecretKey, ""),
		Secure: u.Scheme == "https", Region: c.Region, Transport: transport, MaxRetries: 1,
		BucketLookup: minio.BucketLookupPath})
	if err != nil {
		return nil, err
	}
	if folder != "" {
		folder += "/"
	}
	return &Store{core: core, bucket: bucket, folder: folder,
		where: u.Scheme + "://" + u.Host + "/" + strings.TrimSuffix(bucket+"/"+folder, "/")}, nil
}

// String is where the store is, without keys.
func (s *Store) String() string { return s.where }

// said is an error with who it is of; nil of none. The cause comes first: lists have no room for both.
func (s *Store) said(err error) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("%w (the object storage %s)", err, s.where)
}

// local reports whether a host is this machine.
func local(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// missing reports whether the storage says that it has no such object or upload.
func missing(err error) bool {
	var said minio.ErrorResponse
	return errors.As(err, &said) && (said.Code == minio.NoSuchKey || said.Code == minio.NoSuchUpload ||
		said.StatusCode == http.StatusNotFound && said.Code != minio.NoSuchBucket)
}
