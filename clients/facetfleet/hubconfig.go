package main

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"github.com/nats-io/nkeys"
	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	"facetd.example/api/fileio"
	"facetd.example/api/yamlfile"
	"facetd.example/clients/facetfleet/internal/hubconfig"
)

func (a *app) hubConfigCommand() *cobra.Command {
	var out string
	cmd := &cobra.Command{
		Use:   "hub-config FLEET",
		Short: "Write the configuration of a hub, and the keys of robots and people",
		Long: `hub-config reads the description of a fleet (deploy/fleet/fleet.yaml is one) and writes a configuration
for each node of the hub, NODE.conf, and a key for each robot, viewer and operator, keys/CUSTOMER/ROLE-NAME.key,
mode 0600. Keys that are there stay, so that it may be run again when robots come; the configuration has only
their public halves. Hand each key to its robot or person by a way that nobody else can read, and delete it
here. A robot may publish as itself alone; customers do not see each other.`,
		Example: `  facetfleet hub-config fleet.yaml --out hub`,
		Args:    cli.Args("FLEET"),
		RunE: func(cmd *cobra.Command, args []string) error {
			f, err := readFleet(args[0])
			if err != nil {
				return err
			}
			return writeFleet(cmd, f, out)
		},
	}
	cmd.Flags().StringVar(&out, "out", ".", "folder to write to")
	return cmd
}

func readFleet(name string) (*hubconfig.Fleet, error) {
	data, err := fileio.Read(name, yamlfile.MaxBytes)
	if err != nil {
		return nil, fileio.Plain(err)
	}
	f := &hubconfig.Fleet{}
	doc := yamlfile.Parse(name, data)
	doc.Struct(f)
	if wrong := doc.Errors(f.Check()); len(wrong) > 0 {
		return nil, wrong
	}
	return f, nil
}

func writeFleet(cmd *cobra.Command, f *hubconfig.Fleet, out string) error {
	public, made := map[string]string{}, 0
	for _, k := range f.Keys() {
		p, fresh, err := keyIn(filepath.Join(out, "keys", filepath.FromSlash(k.File)))
		if err != nil {
			return err
		}
		if public[k.File] = p; fresh {
			made++
		}
	}
	for _, n := range f.Nodes {
		if err := fileio.Write(filepath.Join(out, n.Name+".conf"), []byte(f.Write(n, public))); err != nil {
			return fileio.Plain(err)
		}
	}
	if cli.WantsJSON(cmd) {
		return cli.WriteJSON(cmd.OutOrStdout(),
			map[string]any{"nodes": len(f.Nodes), "keys": len(public), "new_keys": made})
	}
	_, err := fmt.Fprintf(cmd.OutOrStdout(), "%s and %s, %d of them new, in %s\n",
		cli.Count(len(f.Nodes), "configuration"),
		cli.Count(len(public), "key"), made, out)
	return err
}

// keyIn is the public half of the key in a file, which is made where it is not there.
func keyIn(file string) (public string, fresh bool, err error) {
	seed, err := fileio.Read(file, 1<<10)
	if errors.Is(err, fs.ErrNotExist) {
		fresh = true
		if seed, err = newKey(file); err != nil {
			return "", false, fileio.Plain(err)
		}
	}
	if err != nil {
		return "", false, fileio.Plain(err)
	}
	pair, err := nkeys.FromSeed(bytes.TrimSpace(seed))
	if err != nil {
		return "", false, fmt.Errorf("%s: %w", file, err)
	}
	public, err = pair.PublicKey()
	return public, fresh, err
}

func newKey(file string) ([]byte, error) {
	pair, err := nkeys.CreateUser()
	if err != nil {
		return nil, err
	}
	seed, err := pair.Seed()
	if err != nil {
		return nil, err
	}
	if err := os.MkdirAll(filepath.Dir(file), 0o700); err != nil {
		return nil, err
	}
	return seed, fileio.WriteDurably(file, append(seed, '\n'), 0o600)
}
