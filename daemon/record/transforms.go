package record

import (
	"fmt"
	"sync"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protodesc"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/descriptorpb"
	"google.golang.org/protobuf/types/dynamicpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	facetdv1 "facetd.example/api/facetd/v1"
)

// BodyFrame is the frame id of the body frame in recordings: x forward, y left, z up.
const BodyFrame = "body"

// transformsDescriptor describes foxglove.FrameTransforms, the open schema by which viewers know where frames are in
// each other. Numbers and types of FrameTransform were seen in its published definition: the repository
// foxglove/foxglove-sdk, schemas/proto/foxglove/FrameTransform.proto; those of Vector3, Quaternion and FrameTransforms,
// which are numbered in the order x, y, z, w and hold one list, are from memory.
var transformsDescriptor = sync.OnceValues(func() (protoreflect.MessageDescriptor, error) {
	field := func(name string, number int32, k descriptorpb.FieldDescriptorProto_Type,
		of string) *descriptorpb.FieldDescriptorProto {
		f := &descriptorpb.FieldDescriptorProto{Name: &name, Number: &number, Type: &k, JsonName: &name,
			Label: descriptorpb.FieldDescriptorProto_LABEL_OPTIONAL.Enum()}
		if of != "" {
			f.TypeName = &of
		}
		return f
	}
	const (
		message = descriptorpb.FieldDescriptorProto_TYPE_MESSAGE
		text    = descriptorpb.FieldDescriptorProto_TYPE_STRING
		number  = descriptorpb.FieldDescriptorProto_TYPE_DOUBLE
	)
	numbers := func(name string, of ...string) *descriptorpb.DescriptorProto {
		m := &descriptorpb.DescriptorProto{Name: &name}
		for i, f := range of {
			m.Field = append(m.Field, field(f, int32(i+1), number, ""))
		}
		return m
	}
	list := field("transforms", 1, message, ".foxglove.FrameTransform")
	list.Label = descriptorpb.FieldDescriptorProto_LABEL_REPEATED.Enum()
	f, err := protodesc.NewFile(&descriptorpb.FileDescriptorProto{
		Name: proto.String("foxglove/FrameTransforms.proto"), Package: proto.String("foxglove"),
		Syntax:     proto.String("proto3"),
		Dependency: []string{timestamppb.File_google_protobuf_timestamp_proto.Path()},
		MessageType: []*descriptorpb.DescriptorProto{
			{Name: proto.String("FrameTransforms"), Field: []*descriptorpb.FieldDescriptorProto{list}},
			{Name: proto.String("FrameTransform"), Field: []*descriptorpb.FieldDescriptorProto{
				field("timestamp", 1, message, ".google.protobuf.Timestamp"),
				field("parent_frame_id", 2, text, ""), field("child_frame_id", 3, text, ""),
				field("translation", 4, message, ".foxglove.Vector3"),
				field("rotation", 5, message, ".foxglove.Quaternion")}},
			numbers("Vector3", "x", "y", "z"), numbers("Quaternion", "x", "y", "z", "w"),
		},
	}, protoregistry.GlobalFiles)
	if err != nil {
		return nil, fmt.Errorf("schema of transforms: %w", err)
	}
	return f.Messages().ByName("FrameTransforms"), nil
})

// transforms tells viewers where the cameras of an array are, as of a time: of each chip the optical frame (x right, y
// down, z ahead, as REP 103 and 104 have it, from memory), which is the one that its images and calibrations name, in
// the body frame.
func transforms(md protoreflect.MessageDescriptor, g *facetdv1.Geometry, at *timestamppb.Timestamp) ([]byte, error) {
	all := dynamicpb.NewMessage(md)
	list := all.Mutable(md.Fields().ByName("transforms")).List()
	for _, c := range g.GetChips() {
		m := list.AppendMutable().Message()
		set := func(name protoreflect.Name, v any) {
			m.Set(m.Descriptor().Fields().ByName(name), protoreflect.ValueOf(v))
		}
		numbers := func(name protoreflect.Name, v ...float64) {
			of := m.Mutable(m.Descriptor().Fields().ByName(name)).Message()
			for i, n := range v {
				of.Set(of.Descriptor().Fields().Get(i), protoreflect.ValueOfFloat64(n))
			}
		}
		stamp := m.Mutable(m.Descriptor().Fields().ByName("timestamp")).Message()
		stamp.Set(stamp.Descriptor().Fields().ByName("seconds"), protoreflect.ValueOfInt64(at.GetSeconds()))
		stamp.Set(stamp.Descriptor().Fields().ByName("nanos"), protoreflect.ValueOfInt32(at.GetNanos()))
		set("parent_frame_id", BodyFrame)
		set("child_frame_id", c.GetChip())
		numbers("translation", c.GetXM(), c.GetYM(), c.GetZM())
		numbers("rotation", c.GetOpticalOrientation()...)
	}
	return proto.MarshalOptions{Deterministic: true}.Marshal(all)
}

// writeTransforms writes where the cameras are, in every file with images.
func (r *recording) writeTransforms(at uint64) error {
	if !r.options.GetImages() {
		return nil
	}
	md, err := transformsDescriptor()
	if err != nil {
		return err
	}
	data, err := transforms(md, r.cfg.geometry,
		&timestamppb.Timestamp{Seconds: int64(at / 1e9), Nanos: int32(at % 1e9)})
	if err != nil {
		return err
	}
	r.tried.messages++
	return r.noted(r.part.writeData(TopicTransforms, md, data, stamp{at, at}, r.takeFlush()))
}
