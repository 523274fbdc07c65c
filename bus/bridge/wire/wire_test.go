package wire

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"facetd.example/api/peertest"
)

// messages are one of every struct of the description.
var messages = []any{Header{}, Hello{}, Welcome{}, Config{}, Program{}, Drop{}, Submit{}, Cancel{}, Release{}, Alive{},
	Reply{}, Data{}, Times{}, Result{}, Released{}, Clock{}, Safe{}, Head{}, Slot{}, Select{}, Write{}, Strobe{},
	Wait{},
	Scan{}, PinEvent{}, PinHello{}, Ack{}, Refused{}, Pins{}, SelfTest{}, Tested{},
	PinEdge{}, Reading{}}

// random is a message with random bytes in it, and the bytes.
func random(rng *rand.Rand, message any) (value reflect.Value, b []byte) {
	b = make([]byte, binary.Size(message))
	for i := range b {
		b[i] = byte(rng.Uint32())
	}
	value = reflect.New(reflect.TypeOf(message))
	if _, err := Take(b, value.Interface()); err != nil {
		panic(err) // a message without a fixed size
	}
	return value, b
}

// TestEveryMessage: every message has a fixed size, and its bytes are those that were read.
func TestEveryMessage(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for _, m := range messages {
		for range 20 {
			value, b := random(rng, m)
			if got := Append([]byte{9}, value.Elem().Interface()); !bytes.Equal(got[1:], b) || got[0] != 9 {
				t.Fatalf("%T: %x, read from %x", m, got, b)
			}
			rest, err := Take(append(b, 1, 2), value.Interface())
			if err != nil || !bytes.Equal(rest, []byte{1, 2}) {
				t.Fatalf("%T: %x is left, %v", m, rest, err)
			}
			if _, err := Take(b[:len(b)-1], value.Interface()); err != ErrShort {
				t.Fatalf("%T cut short: %v", m, err)
			}
		}
	}
	for want, m := range map[int]any{HeaderSize: Header{}, PinEventSize: PinEvent{}, PinHelloSize: PinHello{},
		PinEdgeSize: PinEdge{}} {
		if got := binary.Size(m); got != want {
			t.Errorf("%T has %d bytes, told are %d", m, got, want)
		}
	}
}

// TestTheCodecInC: the C header reads and writes every message as Go does. A program in C reads lines of a message's
// name and bytes, reads them into the struct, and prints each field, and the bytes that it writes.
func TestTheCodecInC(t *testing.T) {
	cc := peertest.Program(t, "cc")
	dir := t.TempDir()
	source := filepath.Join(dir, "codec.c")
	if err := os.WriteFile(source, []byte(codecInC()), 0o600); err != nil {
		t.Fatal(err)
	}
	tool := filepath.Join(dir, "codec")
	if text, err := exec.Command(cc, "-std=c11", "-Wall", "-Wextra", "-Werror", "-fsanitize=undefined",
		"-I../firmware/core", "-o", tool, source).CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	rng := rand.New(rand.NewPCG(3, 4))
	var in, want strings.Builder
	for range 50 {
		for i, m := range messages {
			value, b := random(rng, m)
			fmt.Fprintf(&in, "%d %x\n", i, b)
			for k := range value.Elem().NumField() {
				f := value.Elem().Field(k)
				if f.Kind() == reflect.Array {
					for e := range f.Len() {
						fmt.Fprintf(&want, "%d ", f.Index(e).Uint())
					}
					continue
				}
				fmt.Fprintf(&want, "%d ", f.Interface())
			}
			fmt.Fprintf(&want, "%x\n", b)
		}
	}
	cmd := exec.Command(tool)
	cmd.Stdin = strings.NewReader(in.String())
	got, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	gotLines, wantLines := strings.Split(string(got), "\n"), strings.Split(want.String(), "\n")
	if len(gotLines) != len(wantLines) {
		t.Fatalf("%d lines, want %d", len(gotLines), len(wantLines))
	}
	for i := range gotLines {
		if gotLines[i] != wantLines[i] {
			t.Fatalf("%T: C reads and writes %q, Go %q", messages[i%len(messages)], gotLines[i], wantLines[i])
		}
	}
}

// codecInC is the program of TestTheCodecInC.
func codecInC() string {
	var b strings.Builder
	b.WriteString(`#include "wire.h"
#include <stdio.h>
int main(void) {
  unsigned which, byte;
  while (scanf("%u ", &which) == 1) {
    uint8_t in[256] = {0}, out[256] = {0};
    size_t n = 0, size = 0;
    while (n < sizeof in && scanf("%2x", &byte) == 1) {
      in[n++] = (uint8_t)byte;
      int c = getchar();
      if (c == '\n') break;
      ungetc(c, stdin);
    }
    switch (which) {
`)
	for i, m := range messages {
		kind := reflect.TypeOf(m)
		name := "wire_" + snake(kind.Name())
		fmt.Fprintf(&b, "    case %d: { struct %s m; %s_get(in, &m); %s_put(out, &m); size = %s_SIZE;\n", i, name, name,
			name, strings.ToUpper(name))
		for k := range kind.NumField() {
			f := kind.Field(k)
			field := snake(f.Name)
			if field == "register" {
				field += "_"
			}
			switch f.Type.Kind() {
			case reflect.Array:
				fmt.Fprintf(&b, "      for (int i = 0; i < %d; i++) printf(\"%%u \", m.%s[i]);\n", f.Type.Len(), field)
			case reflect.Int32, reflect.Int64:
				fmt.Fprintf(&b, "      printf(\"%%lld \", (long long)m.%s);\n", field)
			default:
				fmt.Fprintf(&b, "      printf(\"%%llu \", (unsigned long long)m.%s);\n", field)
			}
		}
		b.WriteString("      break; }\n")
	}
	b.WriteString(`    default: return 1;
    }
    if (size != n) return 2;
    for (size_t i = 0; i < n; i++) printf("%02x", out[i]);
    printf("\n");
  }
  return 0;
}
`)
	return b.String()
}

// TestStream: frames go over a stream and come out as they were; what is not a frame is an error.
func TestStream(t *testing.T) {
	var b bytes.Buffer
	sent := []Frame{{Header: Header{Type: TypeHello, Session: 3, Boot: 4, Seq: 1, Ack: 9}, Payload: []byte{1, 2, 3}},
		{Header: Header{Type: TypeAlive}, Payload: make([]byte, MaxPayload)}, {Header: Header{Type: TypeSafe}}}
	for i := range sent {
		if err := WriteStream(&b, &sent[i]); err != nil {
			t.Fatal(err)
		}
	}
	whole := bytes.Clone(b.Bytes())
	for i := range sent {
		got, err := ReadStream(&b)
		if err != nil || got.Header != sent[i].Header || !bytes.Equal(got.Payload, sent[i].Payload) {
			t.Fatalf("frame %d: %+v, %v", i, got, err)
		}
	}
	if _, err := ReadStream(&b); err != io.EOF {
		t.Errorf("at the end: %v", err)
	}
	for n := 1; n < 4+HeaderSize+3; n++ {
		if _, err := ReadStream(bytes.NewReader(whole[:n])); err != io.ErrUnexpectedEOF {
			t.Fatalf("cut after %d bytes: %v", n, err)
		}
	}
	for _, length := range []uint32{0, HeaderSize - 1, HeaderSize + MaxPayload + 1, 1 << 31} {
		if _, err := ReadStream(bytes.NewReader(append(binary.LittleEndian.AppendUint32(nil, length),
			make([]byte, 2000)...))); err == nil {
			t.Errorf("a frame of %d bytes was read", length)
		}
	}
	if err := WriteStream(io.Discard, &Frame{Payload: make([]byte, MaxPayload+1)}); err == nil {
		t.Error("a payload that is too long was sent")
	}
}

// FuzzDecode: whatever comes, a frame that is decoded is encoded to the same bytes, and nothing panics.
func FuzzDecode(f *testing.F) {
	f.Add([]byte{})
	whole, err := (&Frame{Header: Header{Type: TypeData, Session: 1}, Payload: []byte{1, 2, 3, 4}}).Encode(nil)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(whole)
	f.Fuzz(func(t *testing.T, b []byte) {
		got, err := Decode(b)
		if err != nil {
			return
		}
		again, err := got.Encode(nil)
		if err != nil {
			t.Fatal(err)
		}
		again[1] = b[1] // the version, which is for the reader to judge
		if !bytes.Equal(again, b) {
			t.Errorf("%x was read and is written as %x", b, again)
		}
		for _, m := range messages {
			_, _ = Take(got.Payload, reflect.New(reflect.TypeOf(m)).Interface())
		}
	})
}
