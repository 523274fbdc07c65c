package yamlfile

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/durationpb"
	"pgregory.net/rapid"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
)

// brief stands for the hints that are the same in many errors.
var brief = strings.NewReplacer(
	"write [a, b], or each on a line of its own after a dash", "LIST",
	"write one value, without brackets", "ONE",
	`write a number and its unit without a space, such as "500ns", "20us" or "1.5ms"`, "TIME",
	"give a whole number from 0 to 4294967295", "32 BITS",
	"write digits alone, without zeros before them", "DIGITS",
	"known: name, target, rate_hz, deadline, max_hold, max_skew, views, least_interval, paused, "+
		"pair_interval", "TASK",
	"known: name, binning, smoothing_steps, shares, window, trim, movable, exposure, automatic", "VIEW",
	"known: name, class, selects, lane, mount, lens", "CHIP",
)

func lines(errs invalid.Errors) []string {
	var out []string
	for _, e := range errs {
		out = append(out, brief.Replace(e.String()))
	}
	return out
}

// TestErrors: all errors of form of a file, each with its place, and what was read all
// the same.
func TestErrors(t *testing.T) {
	for _, c := range []struct {
		name, text, read string
		want             []string
	}{
		{"a near miss is read as what was meant", "nam: a\nrate_hx: 5\n", `{"name":"a","rate_hz":5}`, []string{
			`f:1:1: nam: there is no field "nam" here (did you mean "name"? TASK)`,
			`f:2:1: rate_hx: there is no field "rate_hx" here (did you mean "rate_hz"? TASK)`,
		}},
		{"unless that is given too", "nam: a\nname: b\n", `{"name":"b"}`, []string{
			`f:1:1: nam: there is no field "nam" here (did you mean "name"? TASK)`,
		}},
		{"nothing near", "flavour: 3\nname: a\n", `{"name":"a"}`, []string{
			`f:1:1: flavour: there is no field "flavour" here (TASK)`,
		}},
		{"twice, in both spellings", "rate_hz: 1\nrateHz: 2\n", `{"rate_hz":1}`, []string{
			`f:2:1: rate_hz: is given twice, the first time on line 1 (leave one of them out)`,
		}},
		{"two of which only one can be", "target: {all: {}, group: g}\n", `{"target":{"all":{}}}`, []string{
			`f:1:26: target.group: only one of these fields can be given: all, group, list (leave the others out)`,
		}},
		{"one item in place of a list", "views: {name: v, smoothing_steps: x}\n", `{"views":[{"name":"v"}]}`, []string{
			`f:1:8: views: a set of fields stands where a list is expected (LIST)`,
			`f:1:35: views[0].smoothing_steps: "x" is not a whole number (DIGITS)`,
		}},
		{"a bad item keeps its place", "views: [3, {name: v}, [4]]\n", `{"views":[{},{"name":"v"},{}]}`, []string{
			`f:1:9: views[0]: the value "3" stands where fields are expected (write {name: ...}; VIEW)`,
			`f:1:23: views[2]: a list stands where fields are expected (write {name: ...}; VIEW)`,
		}},
		{"kinds", "name: [a]\ntarget: 3\nrate_hz: {}\ndeadline: []\n", `{}`, []string{
			`f:1:7: name: a list stands where a single value is expected (ONE)`,
			`f:2:9: target: the value "3" stands where fields are expected (write {all: ...}; known: all, group, list)`,
			`f:3:10: rate_hz: a set of fields stands where a single value is expected (ONE)`,
			`f:4:11: deadline: a list stands where a single value is expected (ONE)`,
		}},
		{"numbers", "rate_hz: 1e999\nviews:\n- smoothing_steps: -1\n- smoothing_steps: 4294967296\n" +
			"- smoothing_steps: 1.5\n- smoothing_steps: 010\n- smoothing_steps: ''\n" +
			"- smoothing_steps: 99999999999999999999999\n- trim: {offset: -2147483649}\n",
			`{"views":[{},{},{},{},{},{},{"trim":{}}]}`, []string{
				`f:1:10: rate_hz: 1e999 is out of range (give a number below 1.8e308)`,
				`f:3:20: views[0].smoothing_steps: -1 is out of range (32 BITS)`,
				`f:4:20: views[1].smoothing_steps: 4294967296 is out of range (32 BITS)`,
				`f:5:20: views[2].smoothing_steps: "1.5" is not a whole number (DIGITS)`,
				`f:6:20: views[3].smoothing_steps: "010" is not a whole number (DIGITS)`,
				`f:7:20: views[4].smoothing_steps: "" is not a whole number (DIGITS)`,
				`f:8:20: views[5].smoothing_steps: 99999999999999999999999 is out of range (32 BITS)`,
				`f:9:18: views[6].trim.offset: -2147483649 is out of range (give a whole number from -2147483648 to 2147483647)`,
			}},
		{"not finite", "rate_hz: .nan\nname: .inf\n", `{"name":".inf"}`, []string{
			`f:1:10: rate_hz: ".nan" is not a number (write a number, such as 0.25 or 1e-6)`,
		}},
		{"a value where the name says all", "target: {all: true}\n", `{"target":{}}`, []string{
			`f:1:15: target.all: it has no fields, and no value (write {})`,
		}},
		{"times", "deadline: 5\nmax_hold: 1 ms\nmax_skew: 99999999999h\n", `{}`, []string{
			`f:1:11: deadline: "5" is not a time (TIME)`,
			`f:2:11: max_hold: "1 ms" is not a time (TIME)`,
			`f:3:11: max_skew: 99999999999h is out of range (give a time of less than 292 years)`,
		}},
		{"times finer than any clock here", "deadline: 0.5ns\nmax_hold: 1s1.0005us\nmax_skew: 1.0000000010s\n",
			`{"max_skew":"1.000000001s"}`, []string{
				`f:1:11: deadline: 0.5ns is not a whole number of nanoseconds (round it)`,
				`f:2:11: max_hold: 1s1.0005us is not a whole number of nanoseconds (round it)`,
			}},
		{"more than a line can show", "rate_hz: " + strings.Repeat("é", 99) + "\n" + strings.Repeat("n", 99) + ": 1\n",
			`{}`,
			[]string{
				`f:1:10: rate_hz: "` + strings.Repeat("é", 40) +
					`..." is not a number (write a number, such as 0.25 or 1e-6)`,
				`f:2:1: ` + strings.Repeat("n", 40) + `...: there is no field "` + strings.Repeat("n", 40) +
					`..." here (TASK)`,
			}},
		{"empty values", "name:\nrate_hz:\ndeadline: ~\nviews:\ntarget:\n", `{}`, []string{
			`f:2:9: rate_hz: "" is not a number (write a number, such as 0.25 or 1e-6)`,
		}},
		{"anchors", "views:\n- &a {name: v}\n- *a\nname: *a\n<<: *a\n", `{"views":[{"name":"v"},{}]}`, []string{
			`f:3:3: views[1]: the file uses YAML anchors (write the values out)`,
			`f:4:7: name: the file uses YAML anchors (write the values out)`,
			`f:5:1: <<: there is no field "<<" here (TASK)`,
		}},
		{"a list at the top", "- name: a\n", `{}`, []string{
			`f:1:1: a list stands where fields are expected (write {name: ...}; TASK)`,
		}},
		{"names that are none", "? [a]\n: b\n1: c\n", `{}`, []string{
			`f:1:3: a name belongs here (write it as name: value)`,
			`f:3:1: 1: there is no field "1" here (TASK)`,
		}},
		{"a name that stands for another", "views: [{name: &rate_hz v}]\n*rate_hz : 5\n", `{"views":[{"name":"v"}]}`,
			[]string{
				`f:2:1: the file uses YAML anchors (write the values out)`,
			}},
		{"two documents", "name: a\n---\nname: b\n", `{}`, []string{
			`f:2:1: there is more than one document in the file (leave out the lines ---, or make two files)`,
		}},
		{"rubbish after the first", "name: a\n---\n[", `{}`, []string{
			`f:3: did not find expected node content (the file is not YAML)`,
		}},
		{"not YAML", "name: a: b\n", `{}`, []string{
			`f:1: mapping values are not allowed in this context (the file is not YAML)`,
		}},
		{"not indented like the others", "name: a\ntarget:\n  group: g\nviews:\n  - name: v\n    binning: {}\n " +
			"rate_hz: 5\n",
			`{}`, []string{`f:7: did not find expected key (is it indented like what it belongs to?)`}},
		{"a list that is not indented like the others", "views:\n  - name: v\n  - name: w\n  x: y\n", `{}`, []string{
			`f:4: did not find expected '-' indicator (is it indented like what it belongs to?)`}},
		{"a bracket that is not closed", "name: a\nviews: [{name: v}\nrate_hz: 5\n", `{}`, []string{
			`f:2: did not find expected ',' or ']' (the file is not YAML)`}},
		{"an unknown anchor", "name: a\nviews: []\ntarget: *all\n", `{}`, []string{
			`f:3: unknown anchor 'all' referenced (the file is not YAML)`}},
		{"a character that none can see", "name: a\n\nviews: \x01\n", `{}`, []string{
			`f:3: control characters are not allowed (the file is not YAML)`}},
		{"empty", "# nothing\n", `{}`, []string{
			`f: the file is empty (TASK)`,
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := Parse("f", []byte(c.text))
			msg := &facetdv1.Task{}
			d.Message(msg)
			got := lines(d.Errors(nil))
			if !slices.Equal(got, c.want) {
				t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(c.want, "\n"))
			}
			read := &facetdv1.Task{}
			if err := protojson.Unmarshal([]byte(c.read), read); err != nil {
				t.Fatal(err)
			}
			if !proto.Equal(msg, read) {
				t.Errorf("read %v, want %v", msg, read)
			}
		})
	}
}

// TestMeaning: errors of meaning get the places of their fields, or of what these would
// belong to, are sorted among those of form, and left out where they follow from them.
func TestMeaning(t *testing.T) {
	text := "chips:\n- name: a\n  selects: [p, [q]]\n  lens: {horizontal_fov_deg: wide}\n" +
		"- {nme: b, class: k}\nname: x\n"
	d := Parse("f", []byte(text))
	d.Message(&facetdv1.Array{})
	got := lines(d.Errors(invalid.Errors{
		{Path: "name", Message: "1"}, {Path: "timing.write", Message: "2"},
		{Path: "chips[0].lens.horizontal_fov_deg", Message: "follows"},
		{Path: "chips[0].lens.vertical_fov_deg", Message: "3"}, {Path: "chips[0].selects[1]", Message: "follows"},
		{Path: "chips[0].selects[0]", Message: "4"}, {Path: "chips[1].name", Message: "5"},
		{Path: "chips[7].name", Message: "6"},
		{Path: "", Message: "7"},
	}))
	want := []string{
		"f:1:1: timing.write: 2", "f:1:1: chips[7].name: 6", "f:1:1: 7",
		"f:3:13: chips[0].selects[0]: 4",
		"f:3:16: chips[0].selects[1]: a list stands where a single value is expected (ONE)",
		"f:4:3: chips[0].lens.vertical_fov_deg: 3",
		`f:4:30: chips[0].lens.horizontal_fov_deg: "wide" is not a number (write a number, such as 0.25 or 1e-6)`,
		`f:5:4: chips[1].nme: there is no field "nme" here (did you mean "name"? CHIP)`,
		"f:5:4: chips[1].name: 5", "f:6:1: name: 1",
	}
	if !slices.Equal(got, want) {
		t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	d = Parse("f", []byte("chips:\n- {name: a}\nchips: 3\n"))
	d.Message(&facetdv1.Array{})
	got = lines(d.Errors(invalid.Errors{{Path: "chips[0].class", Message: "of what was read, the first"}}))
	if want := []string{"f:2:3: chips[0].class: of what was read, the first",
		"f:3:1: chips: is given twice, the first time on line 1 (leave one of them out)"}; !slices.Equal(got, want) {
		t.Errorf("%q", got)
	}
	d = Parse("f", []byte("bits: 0\nlow:\n"))
	missing := invalid.Errors{{Path: "bits", Message: invalid.Missing}, {Path: "low", Message: invalid.Missing},
		{Path: "high", Message: invalid.Missing}}
	got = lines(d.Errors(missing))
	if want := []string{"f:1:1: bits: 0 is out of range", "f:1:1: high: is missing",
		"f:2:1: low: is missing"}; !slices.Equal(got, want) {
		t.Errorf("%q", got)
	}
}

func TestHas(t *testing.T) {
	d := Parse("f", []byte("chips:\n- name: a\n- {class: k}\n"))
	if !d.Has("chips[1].class") || d.Has("chips[1].lane") || d.Has("chips[2]") || !d.Has("") {
		t.Error("which fields the file has is not known")
	}
}

// TestNumbers: whole numbers in every usual writing.
func TestNumbers(t *testing.T) {
	for text, want := range map[string]uint32{
		"0": 0, "-0": 0, "4096": 4096, "4_096": 4096, "0x10": 16, "0o17": 15, "0b11": 3, "2.5e3": 2500, "'7'": 7,
		"4294967295": math.MaxUint32,
	} {
		d := Parse("f", []byte("smoothing_steps: "+text))
		var v facetdv1.View
		if d.Message(&v); len(d.Errors(nil)) > 0 || v.GetSmoothingSteps() != want {
			t.Errorf("%s: %v %v", text, v.GetSmoothingSteps(), d.Errors(nil))
		}
	}
}

// TestTooLarge: a number that its field does not hold is an error, and no other number.
func TestTooLarge(t *testing.T) {
	for _, text := range []string{
		"u64: 18446744073709551616", "u64: 99999999999999999999999", "u64: 2e19", "u64: -1", "u64: 0x1ffffffffffffffff",
		"i64: 9223372036854775808", "i64: -9223372036854775809", "u8: 256", "u8: -1", "i8: 128", "i8: -129",
	} {
		var v struct {
			U64 uint64 `yaml:"u64"`
			I64 int64  `yaml:"i64"`
			U8  uint8  `yaml:"u8"`
			I8  int8   `yaml:"i8"`
		}
		d := Parse("f", []byte(text))
		if d.Struct(&v); len(d.Errors(nil)) != 1 || v.U64 != 0 || v.I64 != 0 || v.U8 != 0 || v.I8 != 0 {
			t.Errorf("%s: %+v, %v", text, v, d.Errors(nil))
		}
	}
}

// TestEnums: the values of an enum by their short names and their whole ones.
func TestEnums(t *testing.T) {
	for text, want := range map[string]facetdv1.Arrangement{
		"hexagonal":          facetdv1.Arrangement_ARRANGEMENT_HEXAGONAL,
		"ARRANGEMENT_SQUARE": facetdv1.Arrangement_ARRANGEMENT_SQUARE,
		"hexagon":            0, "HEXAGONAL": 0, "2": 0, "unspecified": 0, "ARRANGEMENT_UNSPECIFIED": 0,
		"[hexagonal]": 0, "~": 0,
	} {
		var l facetdv1.Lattice
		d := Parse("f", []byte("arrangement: "+text))
		d.Message(&l)
		if bad := len(d.Errors(nil)) > 0; l.GetArrangement() != want || bad != (want == 0) {
			t.Errorf("%s: %v %v", text, l.GetArrangement(), d.Errors(nil))
		}
	}
	d := Parse("f", []byte("arrangement: hexagon"))
	d.Message(&facetdv1.Lattice{})
	if got := d.Errors(nil).Error(); got != `f:1:14: arrangement: "hexagon" is not possible here (use square, hexagonal)` {
		t.Error(got)
	}
	d = Parse("f", []byte("sample_and_hold: yes"))
	d.Message(&facetdv1.Converter{})
	if got := d.Errors(nil).Error(); got !=
		`f:1:18: sample_and_hold: "yes" is neither true nor false (write true or false)` {
		t.Error(got)
	}
	text, err := Marshal(&facetdv1.Lattice{Arrangement: facetdv1.Arrangement_ARRANGEMENT_HEXAGONAL, Rows: 3})
	if err != nil || !strings.Contains(string(text), "arrangement: hexagonal\n") {
		t.Errorf("%q %v", text, err)
	}
}

type server struct {
	Name   string            `yaml:"name"`
	Port   int               `yaml:"port"`
	Seed   uint64            `yaml:"seed"`
	Speed  float64           `yaml:"speed"`
	Loop   bool              `yaml:"loop"`
	Wait   time.Duration     `yaml:"wait"`
	Files  []string          `yaml:"files"`
	Rights map[string]string `yaml:"rights"`
	Log    struct {
		Level string `yaml:"level"`
	} `yaml:"log"`
	Hidden  string `yaml:"-"`
	Private string
}

func TestStruct(t *testing.T) {
	s := server{Name: "kept", Files: []string{"x"}, Rights: map[string]string{"a": "b"}}
	s.Log.Level = "info"
	d := Parse("f", []byte("port: -5\nseed: 18446744073709551615\nspeed: 0.5\nloop: true\nwait: 1m30s\n"+
		"files: [1, b]\nrights: {robot.example: look, '*': none}\nlog:\n"))
	d.Struct(&s)
	if errs := d.Errors(nil); len(errs) > 0 {
		t.Fatal(errs)
	}
	want := "{kept -5 18446744073709551615 0.5 true 1m30s [1 b] map[*:none robot.example:look] {info}  }"
	if got := fmt.Sprint(s); got != want {
		t.Errorf("%s, want %s", got, want)
	}
	if e := d.Errors(invalid.Errors{{Path: "rights.robot.example"}}); e[0].Line != 7 || e[0].Column != 10 {
		t.Errorf("an entry with dots is at %d:%d", e[0].Line, e[0].Column)
	}
	d = Parse("f", []byte("port: '5'\nseed: -1\nspeed: fast\nloop: 1\nwait: soon\nfiles: a\n"+
		"rights: {a: b, a: c, d: [e]}\nlog: loud\nhidden: x\nPrivate: y\n"))
	d.Struct(&s)
	var at []string
	for _, e := range d.Errors(nil) {
		at = append(at, fmt.Sprintf("%d %s", e.Line, e.Path))
	}
	want = "1 port, 2 seed, 3 speed, 4 loop, 5 wait, 6 files, 7 rights.a, 7 rights.d, 8 log, 9 hidden, 10 Private"
	if got := strings.Join(at, ", "); got != want {
		t.Errorf("errors at %s\nwant %s", got, want)
	}
}

// TestBounds: what is too large is refused before it is taken apart, and nothing small
// becomes large.
func TestBounds(t *testing.T) {
	for name, data := range map[string]string{
		"bytes":    strings.Repeat("#", MaxBytes+1),
		"values":   "name: [" + strings.Repeat("a,", MaxMarks) + "]",
		"unfolded": "a: &a [x,x,x,x,x,x,x,x,x]\nb: &b [*a,*a,*a,*a,*a,*a,*a,*a]\nchips: [*b,*b,*b,*b,*b,*b]\n",
		"depth":    strings.Repeat("[", 20_000),
	} {
		d := Parse(name, []byte(data))
		if d.Message(&facetdv1.Array{}); len(d.Errors(nil)) == 0 {
			t.Errorf("%s: taken", name)
		}
	}
}

// TestKinds: every field of the messages that stand in files is of a kind that is read.
func TestKinds(t *testing.T) {
	seen := map[protoreflect.FullName]bool{}
	var walk func(protoreflect.MessageDescriptor)
	walk = func(m protoreflect.MessageDescriptor) {
		if seen[m.FullName()] || m.FullName() == "google.protobuf.Duration" {
			return
		}
		seen[m.FullName()] = true
		for i := range m.Fields().Len() {
			switch f := m.Fields().Get(i); {
			case f.Kind() == protoreflect.BytesKind || f.Kind() == protoreflect.FloatKind || f.IsMap():
				t.Errorf("%s is not read", f.FullName())
			case f.Message() != nil:
				walk(f.Message())
			}
		}
	}
	for _, m := range []proto.Message{&facetdv1.Array{}, &facetdv1.TaskList{}, &facetdv1.GroundTruth{}} {
		walk(m.ProtoReflect().Descriptor())
	}
	if len(seen) < 20 {
		t.Errorf("%d messages", len(seen))
	}
}

// TestMarshal: what is written is read again as it was, and short.
func TestMarshal(t *testing.T) {
	hold := uint32(3)
	task := &facetdv1.Task{Name: "5", RateHz: 0.1, Deadline: durationpb.New(1500 * time.Microsecond),
		Target: &facetdv1.Target{Chips: &facetdv1.Target_List{List: &facetdv1.ChipList{Names: []string{"a", "~"}}}},
		Views:  []*facetdv1.View{{}, {Trim: &facetdv1.TrimSettings{PixelBias: &hold, Offset: -1}}}}
	text, err := Marshal(task)
	if err != nil {
		t.Fatal(err)
	}
	want := "name: \"5\"\ntarget:\n  list:\n    names:\n      - a\n      - \"~\"\nrate_hz: 0.1\ndeadline: 1.5ms\n" +
		"views:\n  - {}\n  - trim:\n      pixel_bias: 3\n      offset: -1\n"
	if string(text) != want {
		t.Errorf("got\n%swant\n%s", text, want)
	}
	again := &facetdv1.Task{}
	d := Parse("f", text)
	if d.Message(again); len(d.Errors(nil)) > 0 || !proto.Equal(task, again) {
		t.Errorf("%v %v", again, d.Errors(nil))
	}
}

// TestMarshalTexts: texts that YAML could take for something else come back as they were.
func TestMarshalTexts(t *testing.T) {
	for _, name := range []string{
		"\t\n", "\n", " a\n b\n", "a\n\n", "null", "0x10", "<<", "&a", "*a", "a: b", "# a", "'", "\"\\", "\u0085",
		"\ufeff", "é",
	} {
		text, err := Marshal(&facetdv1.Task{Name: name})
		if err != nil {
			t.Fatal(err)
		}
		again := &facetdv1.Task{}
		d := Parse("f", text)
		if d.Message(again); len(d.Errors(nil)) > 0 || again.GetName() != name {
			t.Errorf("%q: %q, %q %v", name, text, again.GetName(), d.Errors(nil))
		}
	}
}

// TestMarshalAny: as above, for any task.
func TestMarshalAny(t *testing.T) {
	name := rapid.String()
	rapid.Check(t, func(t *rapid.T) {
		task := &facetdv1.Task{Name: name.Draw(t, "name"), RateHz: rapid.Float64Range(-1e300, 1e300).Draw(t, "rate")}
		if rapid.Bool().Draw(t, "held") {
			task.MaxHold = durationpb.New(time.Duration(rapid.Int64().Draw(t, "hold")))
		}
		for range rapid.IntRange(0, 3).Draw(t, "views") {
			task.Views = append(task.Views, &facetdv1.View{
				Name: name.Draw(t, "view"), SmoothingSteps: rapid.Uint32().Draw(t, "steps"),
				Trim: &facetdv1.TrimSettings{Offset: rapid.Int32().Draw(t, "offset")},
			})
		}
		text, err := Marshal(task)
		if err != nil {
			t.Fatal(err)
		}
		again := &facetdv1.Task{}
		d := Parse("f", text)
		if d.Message(again); len(d.Errors(nil)) > 0 || !proto.Equal(task, again) {
			t.Fatalf("%q: %v %v", text, again, d.Errors(nil))
		}
	})
}

// FuzzMessage: whatever the file, it is read or all that is wrong with it is said, with
// places; what was read is written and read again as it was.
func FuzzMessage(f *testing.F) {
	for _, text := range []string{
		"name: a\nrate_hz: 5\ntarget: {all: {}}\nviews:\n- window: {rows: 9}\n  trim: {pixel_bias: 3}\n",
		`{"name": "a", "rateHz": 5.5, "deadline": "0.5s", "views": [{"smoothingSteps": "2"}]}`,
		"views: &a [*a]\nname: ~\n", "? [a]\n: b\n", "- a\n---\n- b\n", "name: !!binary aGk=\n",
		"nam: 'a\n  b'\n", "\xff\xfen\x00a\x00", "deadline: 1e3us\r\n",
	} {
		f.Add([]byte(text))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		d := Parse("f", data)
		msg := &facetdv1.Task{}
		d.Message(msg)
		for _, e := range d.Errors(invalid.Errors{{Path: "views[0].name", Message: "late"}}) {
			if e.File != "f" || e.Message == "" {
				t.Fatalf("an error without file or message: %+v", e)
			}
		}
		text, err := Marshal(msg)
		if err != nil {
			t.Skip(err) // a text that no YAML file can hold
		}
		again := &facetdv1.Task{}
		d = Parse("f", text)
		if d.Message(again); !proto.Equal(msg, again) || len(d.found) > 0 && !d.Empty() {
			t.Fatalf("%q\nread as %v\nwritten as %q\nread as %v %v", data, msg, text, again, d.found)
		}
	})
}
