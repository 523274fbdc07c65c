package python

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	_ "google.golang.org/genproto/googleapis/rpc/errdetails"
	_ "google.golang.org/genproto/googleapis/rpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protodesc"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/descriptorpb"

	_ "facetd.example/api/facetd/v1"
	"facetd.example/api/golden"
)

const schemaFile = "facetd/schema.binpb"

// descriptors returns the files of the schema and of the standard error details with
// all that they import, imports first.
func descriptors(t *testing.T) *descriptorpb.FileDescriptorSet {
	t.Helper()
	var roots []protoreflect.FileDescriptor
	protoregistry.GlobalFiles.RangeFiles(func(f protoreflect.FileDescriptor) bool {
		if strings.HasPrefix(f.Path(), "facetd/v1/") || f.Path() == "google/rpc/error_details.proto" ||
			f.Path() == "google/rpc/status.proto" {
			roots = append(roots, f)
		}
		return true
	})
	slices.SortFunc(roots, func(a, b protoreflect.FileDescriptor) int { return strings.Compare(a.Path(), b.Path()) })
	set, seen := &descriptorpb.FileDescriptorSet{}, map[string]bool{}
	var add func(protoreflect.FileDescriptor)
	add = func(f protoreflect.FileDescriptor) {
		if seen[f.Path()] {
			return
		}
		seen[f.Path()] = true
		for i := range f.Imports().Len() {
			add(f.Imports().Get(i).FileDescriptor)
		}
		set.File = append(set.File, protodesc.ToFileDescriptorProto(f))
	}
	for _, f := range roots {
		add(f)
	}
	return set
}

// TestSchemaIsFresh compares the client's copy of the schema with the generated Go,
// which CI compares with the .proto files, and the list of files with those on disk.
func TestSchemaIsFresh(t *testing.T) {
	want := descriptors(t)
	var got []string
	for _, f := range want.GetFile() {
		if strings.HasPrefix(f.GetName(), "facetd/v1/") {
			got = append(got, filepath.Base(f.GetName()))
		}
	}
	slices.Sort(got)
	protos, err := filepath.Glob("../../api/facetd/v1/*.proto")
	if err != nil || len(protos) == 0 {
		t.Fatalf("no schema beside us: %v", err)
	}
	for i, p := range protos {
		protos[i] = filepath.Base(p)
	}
	if !slices.Equal(got, protos) {
		t.Fatalf("the Go code was generated from %v, but there are %v", got, protos)
	}
	made, err := proto.MarshalOptions{Deterministic: true}.Marshal(want)
	if err != nil {
		t.Fatal(err)
	}
	golden.Update(t, schemaFile, made)
	b, err := os.ReadFile(schemaFile)
	if err != nil {
		t.Fatal(err)
	}
	have := &descriptorpb.FileDescriptorSet{}
	if err := proto.Unmarshal(b, have); err != nil {
		t.Fatal(err)
	}
	if !proto.Equal(have, want) {
		t.Errorf("%s is not of this schema: run go test ./clients/python -run TestSchema -update", schemaFile)
	}
}
