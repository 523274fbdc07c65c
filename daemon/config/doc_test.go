package config_test

import (
	"cmp"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"strings"
	"testing"
	"time"

	"go.yaml.in/yaml/v3"

	"facetd.example/api/golden"
	"facetd.example/api/yamlfile"
	"facetd.example/daemon/access"
	"facetd.example/daemon/config"
)

const configDoc = "../../deploy/CONFIG.md"

// fieldDocs are the comments of the fields of every struct in the packages that the
// configuration is made of, by type and field.
func fieldDocs(t *testing.T) map[string]string {
	t.Helper()
	docs := map[string]string{}
	for _, file := range []string{"config.go", "../access/settings.go"} {
		if _, err := os.Stat(file); err != nil {
			continue
		}
		f, err := parser.ParseFile(token.NewFileSet(), file, nil, parser.ParseComments)
		if err != nil {
			t.Fatal(err)
		}
		ast.Inspect(f, func(n ast.Node) bool {
			spec, is := n.(*ast.TypeSpec)
			if !is {
				return true
			}
			fields, is := spec.Type.(*ast.StructType)
			if !is {
				return true
			}
			for _, field := range fields.Fields.List {
				for _, name := range field.Names {
					docs[f.Name.Name+"."+spec.Name.Name+"."+name.Name] = strings.Join(strings.Fields(field.Doc.Text()),
						" ")
				}
			}
			return true
		})
	}
	return docs
}

// kindOf is the type of a field in an operator's words.
func kindOf(t *testing.T, of reflect.Type) string {
	switch {
	case of == reflect.TypeFor[time.Duration]():
		return "duration"
	case of.Kind() == reflect.String:
		return "text"
	case of.Kind() == reflect.Uint64:
		return "whole number"
	case of.Kind() == reflect.Float64:
		return "number"
	case of.Kind() == reflect.Bool:
		return "true or false"
	case of.Kind() == reflect.Map:
		return "fields, each a text"
	case of == reflect.TypeFor[[]string]():
		return "list of texts"
	}
	t.Errorf("the type %v has no name for an operator", of)
	return ""
}

// described is what a field's comment says of it to an operator, who knows the names of
// the file alone.
func described(t *testing.T, name string, field reflect.StructField, comment string) string {
	rest, is := strings.CutPrefix(comment, field.Name+" is ")
	if !is {
		t.Errorf("the comment of %s does not begin with %q: %q", name, field.Name+" is", comment)
		return comment
	}
	for _, word := range goNames.FindAllString(strings.ReplaceAll(rest, "Unix socket", "socket"), -1) {
		t.Errorf("the comment of %s names %s as the code does: %q", name, word, comment)
	}
	return strings.ToUpper(rest[:1]) + rest[1:] // the name stands in the first column
}

// goNames are words as only the code writes them: StopAt, or Seed in the middle of a
// sentence; not HTTP or PEM.
var goNames = regexp.MustCompile(`\b[A-Z]+[a-z]+[A-Z]\w*|[a-z,] [A-Z][a-z]{2,}\b|\[\]\w+`)

// written is a default as it would stand in a file.
func written(t *testing.T, value any) string {
	if d, is := value.(time.Duration); is {
		text := strings.TrimSuffix(strings.TrimSuffix(d.String(), "0s"), "0m")
		return "`" + cmp.Or(text, "0s") + "`"
	}
	text, err := yaml.Marshal(value)
	if err != nil {
		t.Fatal(err)
	}
	return "`" + strings.TrimSpace(string(text)) + "`"
}

// What stands before and after the table of fields, with @ for backquotes.
const (
	beforeFields = `# Configuration

Written from the configuration's own code; do not edit (@go test ./daemon/config -run TestReference -update@).

@facetd --config FILE@ reads a YAML file with these fields; any may be left out, and unknown ones are errors.
@facetd check --config FILE@ lists every error, also in the files that it names, and says who could connect.
Names of files are relative to the configuration file, except @data@, which is relative to the working folder.
Flags of the command line override the file. A reload (SIGHUP) applies the fields that say so in the column reload;
a configuration that differs in others is refused as a whole, and the active one stays.
Examples: [demo](examples/demo.yaml), [robot](examples/robot.yaml), [replay](examples/replay.yaml).

| field | type | default | reload | what it is |
|---|---|---|---|---|
`
	afterFields = `
## Who may do what

| address | asks for |
|---|---|
| Unix socket | nothing: its file's mode lets the daemon's user alone connect |
| loopback (127.0.0.0/8, ::1) | nothing, or with @access.loopback: checked@ a token |
| any other | TLS 1.3, and a client certificate or a token |

An address that is not a loopback one is refused at the start unless @access.tls.certificate@, @access.tls.key@ and
one of @access.tls.client_ca@ and @access.tokens@ are given. The role viewer reads everything: the array, tasks,
plans, frames, status, events, metrics, the page, health and reflection, and plans changes without making them. The
role operator also changes things and takes bus time: tasks, captures, commands, safe stops, probes, faults, lockstep,
self-tests of a device, light and temperature of a virtual array, calibrations and correction maps, runs of bring-up,
recordings, replays, and acknowledges or shelves findings of health.

A token is sent with every call, in gRPC metadata or the HTTP header @authorization: Bearer TOKEN@; over HTTP also as
the password of basic authentication, with any user, which browsers and scrapers support. A caller that sends a token
is judged by it alone, any other by its certificate. @facetd token new@ makes tokens; the file holds a line for each:

@@@text
NAME ROLE EXPIRY sha256:DIGEST
bench operator 2030-06-01 sha256:(64 hexadecimal digits)
@@@

Credentials that a reload removes, or that expire, are refused at once for new calls, on existing connections too, and
streams that they opened end within %v. Refusals are counted in @facetd_access_refused_total@ by reason; in a flood of
them the log keeps ten a minute. Whoever has no credentials is refused by the headers of a call before any of its
request is received, and connections on which nobody was admitted end after %v and make way for newer ones: strangers
can neither fill the memory nor keep an operator out (see Limits). Browsers: on plain connections the host must be an
address or localhost, and requests that pages of other sites make are refused.

Let only the daemon's user read the key and the token file. Access control keeps strangers out; it does not
make it safe to move a robot on what a camera saw, or to let two people operate it at once.

## Limits

| what | limit | beyond |
|---|---|---|
`
)

// markdown writes the reference from the struct, its comments and its defaults.
func markdown(t *testing.T) string {
	docs := fieldDocs(t)
	var b strings.Builder
	b.WriteString(strings.ReplaceAll(beforeFields, "@", "`"))
	defaults := config.Default()
	for _, l := range yamlfile.Leaves(&defaults) {
		key := filepath.Base(l.Of.PkgPath()) + "." + l.Of.Name() + "." + l.Field.Name
		kind, live := kindOf(t, l.Field.Type), ""
		if unit := l.Field.Tag.Get("unit"); unit != "" {
			kind += ", " + unit
		}
		switch {
		case l.Path == "array":
			live = "the same array"
		case config.IsLive(l.Path):
			live = "yes"
		}
		doc := strings.ReplaceAll(described(t, l.Path, l.Field, docs[key]), "|", `\|`)
		fmt.Fprintf(&b, "| `%s` | %s | %s | %s | %s |\n", l.Path, kind, written(t, l.Value.Interface()), live, doc)
	}
	fmt.Fprintf(&b, strings.ReplaceAll(afterFields, "@", "`"), access.EndOfStreamLimit, access.CallLimit)
	for _, l := range limits() {
		fmt.Fprintf(&b, "| %s | %s | %s |\n", l.what, l.value, l.then)
	}
	return b.String()
}

func TestReferenceIsFresh(t *testing.T) {
	want := markdown(t)
	golden.Check(t, configDoc, want)
}

// TestDefaultsAreWritten: every default of the reference can be written into a file, and
// changes nothing there.
func TestDefaultsAreWritten(t *testing.T) {
	want := config.Default()
	for i, l := range yamlfile.Leaves(&want) {
		var text strings.Builder
		parts := strings.Split(l.Path, ".")
		for depth, part := range parts {
			fmt.Fprintf(&text, "\n%s%s: ", strings.Repeat(" ", depth), part)
		}
		text.WriteString(strings.Trim(written(t, l.Value.Interface()), "`"))
		c, m := config.Parse("f", []byte(text.String()))
		got := yamlfile.Leaves(&c)[i].Value
		if len(m) > 0 || fmt.Sprint(got) != fmt.Sprint(l.Value) { // no list is as good as an empty one
			t.Errorf("%s is %v, want %v: %v", text.String(), got, l.Value, m)
		}
	}
}
