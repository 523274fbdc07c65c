// Package hubconfig writes the configuration of a hub from the description of a fleet: an account for each customer, a
// key for each robot and person, and for each key what it may publish and hear.
package hubconfig

import (
	"fmt"
	"net/netip"
	"path"
	"slices"
	"strings"

	"facetd.example/api/invalid"
	"facetd.example/clients/facetfleet/internal/subject"
)

// Fleet describes a hub and who uses it.
type Fleet struct {
	// Nodes of the hub: one, or three that keep everything three times.
	Nodes []Node `yaml:"nodes"`
	// Store is the folder of what a node keeps.
	Store string `yaml:"store"`
	// StoreBytes is how much a node keeps at most.
	StoreBytes int64 `yaml:"store_bytes"`
	// TLS of the nodes.
	TLS TLS `yaml:"tls"`
	// Customers do not see each other.
	Customers []Customer `yaml:"customers"`
}

// Node is one server of a hub.
type Node struct {
	// Name of the server.
	Name string `yaml:"name"`
	// Listen is where robots and people find it, HOST:PORT.
	Listen string `yaml:"listen"`
	// Route is where the other nodes find it, HOST:PORT; not needed for one node.
	Route string `yaml:"route"`
}

// TLS are the files of a node's certificate; all empty where robots and people are on this machine alone.
type TLS struct {
	// Cert is a PEM file with the certificate.
	Cert string `yaml:"cert"`
	// Key is a PEM file with its key.
	Key string `yaml:"key"`
	// CA is a PEM file of the authorities by which nodes know each other; needed for several nodes.
	CA string `yaml:"ca"`
}

// Customer has an account of its own.
type Customer struct {
	// Name of the customer.
	Name string `yaml:"name"`
	// Bytes is how much of the store is the customer's: the limits of its streams together, times the replicas.
	Bytes int64 `yaml:"bytes"`
	// Robots by name.
	Robots []string `yaml:"robots"`
	// Viewers see status, events and frames.
	Viewers []string `yaml:"viewers"`
	// Operators change the tasks and stop arrays as well.
	Operators []string `yaml:"operators"`
}

// leastBytes is what the streams and buckets of one customer take at least.
const leastBytes = 16 << 20

// customerMemory is how much memory the readers of one customer may take; a node reserves it for each.
const customerMemory = 16 << 20

// Check returns all that is wrong with a description.
func (f *Fleet) Check() (wrong invalid.Errors) {
	if len(f.Nodes) != 1 && len(f.Nodes) != 3 && len(f.Nodes) != 5 {
		wrong.Add("nodes", fmt.Sprintf("a hub of %d nodes", len(f.Nodes)),
			"give one node below about 50 robots, three above")
	}
	var names []string
	for i, n := range f.Nodes {
		at := fmt.Sprintf("nodes[%d]", i)
		if n.Name == "" || subject.Escape(n.Name) != n.Name || slices.Contains(names, n.Name) {
			wrong.Add(at+".name", fmt.Sprintf("the name %q", n.Name),
				"give each node a name of letters, digits, - and _")
		}
		names = append(names, n.Name)
		checkAddress(&wrong, at+".listen", n.Listen)
		if len(f.Nodes) > 1 {
			checkAddress(&wrong, at+".route", n.Route)
			if f.TLS.Cert == "" && n.Route != "" && !local(n.Route) {
				wrong.Add(at+".route", fmt.Sprintf("whoever reaches %q would be taken for a node, and see everything",
					n.Route), "give tls with a certificate, its key and a ca, by which nodes know each other")
			}
		}
	}
	if f.Store == "" {
		wrong.Add("store", "no folder to keep anything in", "name one on a disk of the hub's own")
	}
	if (f.TLS.Cert == "") != (f.TLS.Key == "") {
		wrong.Add("tls", "a certificate and its key go together", "give both")
	}
	if len(f.Nodes) > 1 && f.TLS.Cert != "" && f.TLS.CA == "" {
		wrong.Add("tls.ca", "nodes that speak TLS know each other by an authority", "give its file")
	}
	f.checkCustomers(&wrong)
	return wrong
}

// local reports whether an address is reached from this machine alone.
func local(address string) bool {
	at, err := netip.ParseAddrPort(address)
	return err == nil && at.Addr().IsLoopback() || strings.HasPrefix(address, "localhost:")
}

func checkAddress(wrong *invalid.Errors, at, address string) {
	if host, port, found := strings.Cut(address, ":"); !found || host == "" || port == "" {
		wrong.Add(at, fmt.Sprintf("the address %q", address), "give HOST:PORT")
	}
}

func (f *Fleet) checkCustomers(wrong *invalid.Errors) {
	if len(f.Customers) == 0 {
		wrong.Add("customers", "there is nobody", "give at least one customer, with robots and people")
	}
	total := int64(0)
	seen := map[string]bool{}
	for i, c := range f.Customers {
		at := fmt.Sprintf("customers[%d]", i)
		if c.Name == "" || subject.Escape(c.Name) != c.Name || seen[c.Name] {
			wrong.Add(at+".name", fmt.Sprintf("the name %q", c.Name),
				"give each customer a name of letters, digits, - and _")
		}
		seen[c.Name] = true
		if total += c.Bytes; c.Bytes < leastBytes {
			wrong.Add(at+".bytes", fmt.Sprintf("%d bytes", c.Bytes), fmt.Sprintf("give at least %d", leastBytes))
		}
		for j, robot := range c.Robots {
			if err := subject.CheckName(robot); err != nil || slices.Index(c.Robots, robot) != j {
				wrong.Add(fmt.Sprintf("%s.robots[%d]", at, j), fmt.Sprintf("the name %q", robot),
					"give each robot its own")
			}
		}
		people := slices.Concat(c.Viewers, c.Operators)
		for j, person := range people {
			if subject.CheckName(person) != nil || slices.Index(people, person) != j {
				wrong.Add(at, fmt.Sprintf("the name %q of a person", person),
					"name each once, as viewer or as operator")
			}
		}
	}
	if f.StoreBytes < total {
		wrong.Add("store_bytes", fmt.Sprintf("%d bytes are less than the %d of all customers together", f.StoreBytes,
			total),
			"give what the disk has for it, less a reserve")
	}
}

// Key says whose key a file holds.
type Key struct {
	// File is its name below the folder of keys.
	File string
	// Customer and the name of who has it.
	Customer, Name string
	// Role is robot, viewer, operator or keeper.
	Role string
}

// Keys are all keys that a fleet needs. The keeper of a customer makes its streams.
func (f *Fleet) Keys() (keys []Key) {
	for _, c := range f.Customers {
		add := func(role string, names ...string) {
			for _, name := range names {
				keys = append(keys, Key{path.Join(c.Name, role+"-"+subject.Escape(name)+".key"), c.Name, name, role})
			}
		}
		add("keeper", "hub")
		add("robot", c.Robots...)
		add("viewer", c.Viewers...)
		add("operator", c.Operators...)
	}
	return keys
}

// Write is the configuration of one node, with the public halves of the keys by their files.
func (f *Fleet) Write(node Node, public map[string]string) string {
	var b strings.Builder
	fmt.Fprintf(&b, "# Written by 'facetfleet hub-config': change the description of the fleet and write it anew.\n")
	fmt.Fprintf(&b, "server_name: %q\nlisten: %q\nmax_payload: 8MB\n", node.Name, node.Listen)
	b.WriteString("# A link that is dead is found within seconds.\nping_interval: \"5s\"\nping_max: " +
		"2\nwrite_deadline: \"5s\"\n")
	fmt.Fprintf(&b, "jetstream { store_dir: %q, max_file_store: %d, max_memory_store: %d }\n", f.Store, f.StoreBytes,
		customerMemory*len(f.Customers))
	if f.TLS.Cert != "" {
		fmt.Fprintf(&b, "tls { cert_file: %q, key_file: %q, min_version: \"1.3\" }\n", f.TLS.Cert, f.TLS.Key)
	}
	if len(f.Nodes) > 1 {
		f.writeCluster(&b, node)
	}
	b.WriteString("accounts {\n")
	for _, c := range f.Customers {
		fmt.Fprintf(&b, "  %q: {\n    jetstream { max_file: %d, max_memory: %d, max_streams: 16, max_consumers: "+
			"4096 }\n"+
			"    users: [\n", c.Name, c.Bytes, customerMemory)
		for _, k := range f.Keys() {
			if k.Customer == c.Name {
				writeUser(&b, k, public[k.File], c.othersReaders(k))
			}
		}
		b.WriteString("    ]\n  }\n")
	}
	b.WriteString("}\n")
	return b.String()
}

func (f *Fleet) writeCluster(b *strings.Builder, node Node) {
	var routes []string
	for _, n := range f.Nodes {
		routes = append(routes, fmt.Sprintf("%q", "nats://"+n.Route))
	}
	tls := ""
	if f.TLS.Cert != "" {
		tls = fmt.Sprintf(", tls { cert_file: %q, key_file: %q, ca_file: %q, verify: true }", f.TLS.Cert, f.TLS.Key,
			f.TLS.CA)
	}
	fmt.Fprintf(b, "cluster { name: fleet, listen: %q, routes: [%s]%s }\n", node.Route, strings.Join(routes, ", "), tls)
}

// writeUser grants a key what its role needs, and nothing else.
func writeUser(b *strings.Builder, k Key, public string, apart []string) {
	publish, hear := grants(k)
	deny := ""
	if len(apart) > 0 {
		deny = ", deny: [" + quoted(apart) + "]"
	}
	hear = append(hear, subject.Inbox(public)+".>")
	answers := ""
	if k.Role == "robot" {
		answers = ", allow_responses: { max: 1, expires: \"15s\" }"
	}
	fmt.Fprintf(b, "      # %s %q\n      { nkey: %s, permissions: { publish: { allow: [%s]%s }, subscribe: { allow: "+
		"[%s] }%s } }\n",
		k.Role, k.Name, public, quoted(publish), deny, quoted(hear), answers)
}

// othersReaders are the readers of events that are called like other people of the customer's: each is that person's
// alone, to read, to move and to delete. Readers of other names are everybody's.
func (c *Customer) othersReaders(k Key) (apart []string) {
	if k.Role != "viewer" && k.Role != "operator" {
		return nil
	}
	for _, person := range slices.Concat(c.Viewers, c.Operators) {
		if person != k.Name {
			at := subject.Events + "." + subject.Reader(person)
			apart = append(apart, "$JS.API.CONSUMER.*."+at, "$JS.API.CONSUMER.*."+at+".>", "$JS.API.CONSUMER.*.*."+at,
				"$JS.API.CONSUMER.*.*."+at+".>", "$JS.ACK."+at+".>")
		}
	}
	return apart
}

func grants(k Key) (publish, hear []string) {
	const info, consumer = "$JS.API.STREAM.INFO.", "$JS.API.CONSUMER."
	switch k.Role {
	case "robot":
		events, status := subject.Event(k.Name), subject.InBucket(subject.Status, subject.Key(k.Name))
		// What a reader of the index of recordings gives is what its subject names: the robot's own files.
		index, files := subject.BucketStream(subject.Recordings), subject.InBucket(subject.Recordings,
			subject.RecordingsOf(k.Name))
		reader := subject.Key(k.Name)
		return []string{events, status, files, consumer + "CREATE." + index + "." + reader + "." + files,
				consumer + "MSG.NEXT." + index + "." + reader, consumer + "DELETE." + index + "." + reader,
				subject.Frames(k.Name), subject.Thumbnails(k.Name),
				subject.Newest(subject.Events, events), subject.Newest(subject.BucketStream(subject.Status), status),
				subject.Newest(subject.BucketStream(subject.Desired),
					subject.InBucket(subject.Desired, subject.Key(k.Name)))},
			[]string{subject.ForViewers(k.Name), subject.ForOperators(k.Name)}
	case "keeper":
		publish = []string{"$JS.API.INFO"}
		for _, stream := range []string{subject.Events, subject.BucketStream(subject.Status),
			subject.BucketStream(subject.Desired), subject.BucketStream(subject.Recordings)} {
			publish = append(publish, info+stream, "$JS.API.STREAM.CREATE."+stream, "$JS.API.STREAM.UPDATE."+stream)
		}
		return publish, nil
	}
	publish = []string{strings.TrimSuffix(subject.ForViewers(""), "=") + "*", "$JS.API.INFO", "$JS.FC.>", "$JS.ACK." +
		subject.Events + ".>"}
	for _, stream := range []string{subject.Events, subject.BucketStream(subject.Status),
		subject.BucketStream(subject.Recordings)} {
		publish = append(publish, info+stream, consumer+"CREATE."+stream, consumer+"CREATE."+stream+".>",
			consumer+"DURABLE.CREATE."+stream+".>", consumer+"INFO."+stream+".*", consumer+"MSG.NEXT."+stream+".*",
			consumer+"DELETE."+stream+".*", subject.Newest(stream, ">"))
	}
	if k.Role == "operator" {
		publish = append(publish, strings.TrimSuffix(subject.ForOperators(""), "=")+"*",
			info+subject.BucketStream(subject.Desired), subject.InBucket(subject.Desired, "*"),
			subject.InBucket(subject.Status, "*")) // to forget a robot that is gone
	}
	return publish, []string{"facet.>"}
}

func quoted(all []string) string {
	texts := make([]string, len(all))
	for i, s := range all {
		texts[i] = fmt.Sprintf("%q", s)
	}
	return strings.Join(texts, ", ")
}
