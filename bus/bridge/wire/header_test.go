package wire

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"unicode"

	"facetd.example/api/golden"
)

// TestHeader: the C header of the firmware is what the description says.
func TestHeader(t *testing.T) {
	golden.Check(t, "../firmware/core/wire.h", header(t))
}

// header generates the C header from the two files of the description.
func header(t *testing.T) string {
	t.Helper()
	var decls []ast.Decl
	for _, name := range []string{"messages.go", "pinevents.go"} {
		file, err := parser.ParseFile(token.NewFileSet(), name, nil, parser.ParseComments)
		if err != nil {
			t.Fatal(err)
		}
		decls = append(decls, file.Decls...)
	}
	var b strings.Builder
	b.WriteString(preamble)
	for _, d := range decls {
		decl, ok := d.(*ast.GenDecl)
		switch {
		case ok && decl.Tok == token.CONST:
			constants(&b, decl)
		case ok && decl.Tok == token.TYPE:
			spec := decl.Specs[0].(*ast.TypeSpec)
			record(t, &b, decl.Doc.Text(), spec.Name.Name, spec.Type.(*ast.StructType))
		}
	}
	b.WriteString("\n#endif\n")
	return b.String()
}

const preamble = `/* Code generated from bus/bridge/wire/messages.go by "go test ./bus/bridge/wire -update". DO NOT EDIT. */
#ifndef WIRE_H
#define WIRE_H

#include <stddef.h>
#include <stdint.h>
#include <string.h>

static inline uint8_t wire_get_u8(const uint8_t *p) { return p[0]; }
static inline uint16_t wire_get_u16(const uint8_t *p) { return (uint16_t)(p[0] | p[1] << 8); }
static inline uint32_t wire_get_u32(const uint8_t *p) { return wire_get_u16(p) | (uint32_t)wire_get_u16(p + 2) << 16; }
static inline uint64_t wire_get_u64(const uint8_t *p) { return wire_get_u32(p) | (uint64_t)wire_get_u32(p + 4) << 32; }
static inline int32_t wire_get_i32(const uint8_t *p) { return (int32_t)wire_get_u32(p); }
static inline int64_t wire_get_i64(const uint8_t *p) { return (int64_t)wire_get_u64(p); }
static inline void wire_put_u8(uint8_t *p, uint8_t v) { p[0] = v; }
static inline void wire_put_u16(uint8_t *p, uint16_t v) { p[0] = (uint8_t)v; p[1] = (uint8_t)(v >> 8); }
static inline void wire_put_u32(uint8_t *p, uint32_t v) { wire_put_u16(p, (uint16_t)v); wire_put_u16(p + 2, (uint16_t)(v >> 16)); }
static inline void wire_put_u64(uint8_t *p, uint64_t v) { wire_put_u32(p, (uint32_t)v); wire_put_u32(p + 4, (uint32_t)(v >> 32)); }
static inline void wire_put_i32(uint8_t *p, int32_t v) { wire_put_u32(p, (uint32_t)v); }
static inline void wire_put_i64(uint8_t *p, int64_t v) { wire_put_u64(p, (uint64_t)v); }
`

func constants(b *strings.Builder, decl *ast.GenDecl) {
	b.WriteString("\n")
	comment(b, "", decl.Doc.Text())
	b.WriteString("enum {\n")
	for _, s := range decl.Specs {
		spec := s.(*ast.ValueSpec)
		comment(b, "  ", spec.Doc.Text())
		end := "\n"
		if text := strings.TrimSpace(spec.Comment.Text()); text != "" {
			end = " /* " + text + " */\n"
		}
		fmt.Fprintf(b, "  WIRE_%s = %s,%s", strings.ToUpper(snake(spec.Names[0].Name)),
			spec.Values[0].(*ast.BasicLit).Value, end)
	}
	b.WriteString("};\n")
}

// member is one field of a message as C sees it.
type member struct {
	name, doc string
	bits      string // u8, u16, u32, u64, i32, i64
	count     int    // of an array; 0 otherwise
	offset    int
}

var widths = map[string]int{"u8": 1, "u16": 2, "u32": 4, "u64": 8, "i32": 4, "i64": 8}

func members(t *testing.T, s *ast.StructType) (all []member, size int) {
	t.Helper()
	for _, f := range s.Fields.List {
		m := member{doc: f.Doc.Text()}
		kind := f.Type
		if array, ok := kind.(*ast.ArrayType); ok {
			n, err := strconv.Atoi(array.Len.(*ast.BasicLit).Value)
			if err != nil {
				t.Fatal(err)
			}
			m.count, kind = n, array.Elt
		}
		m.bits = strings.NewReplacer("uint", "u", "int", "i").Replace(kind.(*ast.Ident).Name)
		width, known := widths[m.bits]
		if !known {
			t.Fatalf("%s has no fixed width", kind)
		}
		for _, name := range f.Names {
			m.name, m.offset = snake(name.Name), size
			if m.name == "register" { // which C has taken
				m.name += "_"
			}
			all = append(all, m)
			m.doc = ""
			size += width * max(m.count, 1)
		}
	}
	return all, size
}

func record(t *testing.T, b *strings.Builder, doc, name string, s *ast.StructType) {
	t.Helper()
	all, size := members(t, s)
	c := "wire_" + snake(name)
	b.WriteString("\n")
	comment(b, "", doc)
	fmt.Fprintf(b, "struct %s {\n", c)
	for _, m := range all {
		comment(b, "  ", m.doc)
		fmt.Fprintf(b, "  %s %s%s;\n", cType(m.bits), m.name, dimension(m.count))
	}
	fmt.Fprintf(b, "};\nenum { %s_SIZE = %d };\n", strings.ToUpper(c), size)
	fmt.Fprintf(b, "static inline void %s_get(const uint8_t *p, struct %s *m) {\n", c, c)
	for _, m := range all {
		if m.count > 0 {
			fmt.Fprintf(b, "  memcpy(m->%s, p + %d, %d);\n", m.name, m.offset, m.count)
			continue
		}
		fmt.Fprintf(b, "  m->%s = wire_get_%s(p + %d);\n", m.name, m.bits, m.offset)
	}
	fmt.Fprintf(b, "}\nstatic inline void %s_put(uint8_t *p, const struct %s *m) {\n", c, c)
	for _, m := range all {
		if m.count > 0 {
			fmt.Fprintf(b, "  memcpy(p + %d, m->%s, %d);\n", m.offset, m.name, m.count)
			continue
		}
		fmt.Fprintf(b, "  wire_put_%s(p + %d, m->%s);\n", m.bits, m.offset, m.name)
	}
	b.WriteString("}\n")
}

func cType(bits string) string {
	if bits[0] == 'u' {
		return "uint" + bits[1:] + "_t"
	}
	return "int" + bits[1:] + "_t"
}

func dimension(n int) string {
	if n == 0 {
		return ""
	}
	return fmt.Sprintf("[%d]", n)
}

func comment(b *strings.Builder, indent, text string) {
	if text = strings.TrimSpace(text); text != "" {
		fmt.Fprintf(b, "%s/* %s */\n", indent, strings.ReplaceAll(text, "\n", "\n"+indent+" * "))
	}
}

var beforeCapital = regexp.MustCompile(`([a-z0-9])([A-Z])`)

// snake is a Go name in the form of C.
func snake(name string) string {
	return strings.Map(unicode.ToLower, beforeCapital.ReplaceAllString(name, "${1}_${2}"))
}
