package record

import (
	"fmt"
	"sync"

	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protodesc"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/descriptorpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	facetdv1 "facetd.example/api/facetd/v1"
)

// rawImageName is the message that viewers know a picture by.
const rawImageName = "foxglove.RawImage"

// schemaData is the schema of a message as MCAP wants it of protobuf: a serialized
// FileDescriptorSet of its file and all that it imports, imports first.
func schemaData(md protoreflect.MessageDescriptor) ([]byte, error) {
	set := &descriptorpb.FileDescriptorSet{}
	seen := map[string]bool{}
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
	add(md.ParentFile())
	return proto.MarshalOptions{Deterministic: true}.Marshal(set)
}

// Field numbers of rawImageName, an open schema of viewers. Numbers, types (fixed32 for
// the sizes) and mono16 as little endian were seen in its published definition: the
// repository foxglove/foxglove-sdk, schemas/proto/foxglove/RawImage.proto. The name of
// the camera's frame came last there, which is why it is 7.
const (
	imageTimestamp = 1
	imageWidth     = 2
	imageHeight    = 3
	imageEncoding  = 4
	imageStep      = 5
	imageData      = 6
	imageFrameID   = 7
)

// rawImageDescriptor describes rawImageName. It is made here and not generated, so
// that the name does not appear among facetd's own API.
var rawImageDescriptor = sync.OnceValues(func() (protoreflect.MessageDescriptor, error) {
	field := func(name string, number int32,
		kind descriptorpb.FieldDescriptorProto_Type) *descriptorpb.FieldDescriptorProto {
		return &descriptorpb.FieldDescriptorProto{
			Name: &name, Number: &number, Type: &kind,
			Label: descriptorpb.FieldDescriptorProto_LABEL_OPTIONAL.Enum(),
		}
	}
	stamp := field("timestamp", imageTimestamp, descriptorpb.FieldDescriptorProto_TYPE_MESSAGE)
	stamp.TypeName = proto.String(".google.protobuf.Timestamp")
	described := &descriptorpb.FileDescriptorProto{
		Name: proto.String("foxglove/RawImage.proto"), Package: proto.String("foxglove"),
		Syntax:     proto.String("proto3"),
		Dependency: []string{timestamppb.File_google_protobuf_timestamp_proto.Path()},
		MessageType: []*descriptorpb.DescriptorProto{{
			Name: proto.String("RawImage"),
			Field: []*descriptorpb.FieldDescriptorProto{
				stamp,
				field("width", imageWidth, descriptorpb.FieldDescriptorProto_TYPE_FIXED32),
				field("height", imageHeight, descriptorpb.FieldDescriptorProto_TYPE_FIXED32),
				field("encoding", imageEncoding, descriptorpb.FieldDescriptorProto_TYPE_STRING),
				field("step", imageStep, descriptorpb.FieldDescriptorProto_TYPE_FIXED32),
				field("data", imageData, descriptorpb.FieldDescriptorProto_TYPE_BYTES),
				field("frame_id", imageFrameID, descriptorpb.FieldDescriptorProto_TYPE_STRING),
			},
		}},
	}
	f, err := protodesc.NewFile(described, protoregistry.GlobalFiles)
	if err != nil {
		return nil, fmt.Errorf("schema of images: %w", err)
	}
	return f.Messages().Get(0), nil
})

// appendRawImage appends a frame as a picture. Codes are right-aligned in 16 bits,
// least significant byte first, which is what viewers call mono16.
func appendRawImage(b []byte, f *facetdv1.Frame) ([]byte, error) {
	stamp, err := proto.MarshalOptions{Deterministic: true}.Marshal(f.GetFirstSampleTime())
	if err != nil {
		return nil, err
	}
	b = protowire.AppendTag(b, imageTimestamp, protowire.BytesType)
	b = protowire.AppendBytes(b, stamp)
	b = protowire.AppendTag(b, imageWidth, protowire.Fixed32Type)
	b = protowire.AppendFixed32(b, f.GetColumns())
	b = protowire.AppendTag(b, imageHeight, protowire.Fixed32Type)
	b = protowire.AppendFixed32(b, f.GetRows())
	b = protowire.AppendTag(b, imageEncoding, protowire.BytesType)
	b = protowire.AppendString(b, "mono16")
	b = protowire.AppendTag(b, imageStep, protowire.Fixed32Type)
	b = protowire.AppendFixed32(b, 2*f.GetColumns())
	b = protowire.AppendTag(b, imageData, protowire.BytesType)
	b = protowire.AppendBytes(b, f.GetData())
	b = protowire.AppendTag(b, imageFrameID, protowire.BytesType)
	return protowire.AppendString(b, f.GetChip()), nil
}
