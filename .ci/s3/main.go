// Command s3-server is object storage with the S3 interface for tests, in a folder: the server of versitygw as a
// library. Its own main package brings other makers' storage and its own tests, and takes twice as long to build.
package main

import (
	"context"
	"flag"
	"log"
	"os"
	"os/signal"
	"syscall"

	"github.com/versity/versitygw/backend/meta"
	"github.com/versity/versitygw/backend/posix"
	"github.com/versity/versitygw/embedgw"
)

func main() {
	listen := flag.String("listen", "", "HOST:PORT")
	folder := flag.String("folder", "", "where buckets are, on a file system with extended attributes")
	flag.Parse()
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	b, err := posix.New(*folder, meta.XattrMeta{}, posix.PosixOpts{Concurrency: 100})
	if err != nil {
		log.Fatal(err)
	}
	// The key is told to whoever runs it by the environment, as other servers of its kind have it.
	err = embedgw.RunVersityGW(ctx, b, &embedgw.Config{RootUserAccess: os.Getenv("S3_ACCESS_KEY"),
		RootUserSecret: os.Getenv("S3_SECRET_KEY"), Ports: []string{*listen}, MaxConnections: 1000, MaxRequests: 1000,
		MultipartMaxParts: 10_000, KeepAlive: true, Quiet: true})
	if err != nil && ctx.Err() == nil {
		log.Fatal(err)
	}
}
