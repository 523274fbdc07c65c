package record

import (
	"fmt"
	"math"
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

// Field numbers of foxglove.CameraCalibration, the open schema by which viewers know the intrinsics of a camera.
// Numbers and types were seen in its published definition: the repository foxglove/foxglove-sdk,
// schemas/proto/foxglove/CameraCalibration.proto. So were the models of distortion that it names, which are those of
// OpenCV: plumb_bob (k1, k2, p1, p2, k3) over x/z and y/z, and kannala_brandt (k1 to k4) over the angle from the axis.
const (
	cameraTimestamp  = 1
	cameraWidth      = 2
	cameraHeight     = 3
	cameraModel      = 4
	cameraDistortion = 5
	cameraMatrix     = 6
	cameraRectify    = 7
	cameraProjection = 8
	cameraFrameID    = 9
)

// cameraDescriptor describes the message, as rawImageDescriptor does for images.
var cameraDescriptor = sync.OnceValues(func() (protoreflect.MessageDescriptor, error) {
	type kind = descriptorpb.FieldDescriptorProto_Type
	field := func(name string, number int32, k kind, repeated bool) *descriptorpb.FieldDescriptorProto {
		label := descriptorpb.FieldDescriptorProto_LABEL_OPTIONAL
		if repeated {
			label = descriptorpb.FieldDescriptorProto_LABEL_REPEATED
		}
		return &descriptorpb.FieldDescriptorProto{Name: &name, Number: &number, Type: &k, Label: &label,
			JsonName: &name}
	}
	const (
		message = descriptorpb.FieldDescriptorProto_TYPE_MESSAGE
		text    = descriptorpb.FieldDescriptorProto_TYPE_STRING
		size    = descriptorpb.FieldDescriptorProto_TYPE_FIXED32
		number  = descriptorpb.FieldDescriptorProto_TYPE_DOUBLE
	)
	stamp := field("timestamp", cameraTimestamp, message, false)
	stamp.TypeName = proto.String(".google.protobuf.Timestamp")
	f, err := protodesc.NewFile(&descriptorpb.FileDescriptorProto{
		Name: proto.String("foxglove/CameraCalibration.proto"), Package: proto.String("foxglove"),
		Syntax:     proto.String("proto3"),
		Dependency: []string{timestamppb.File_google_protobuf_timestamp_proto.Path()},
		MessageType: []*descriptorpb.DescriptorProto{{
			Name: proto.String("CameraCalibration"),
			Field: []*descriptorpb.FieldDescriptorProto{
				stamp, field("width", cameraWidth, size, false), field("height", cameraHeight, size, false),
				field("distortion_model", cameraModel, text, false), field("D", cameraDistortion, number, true),
				field("K", cameraMatrix, number, true), field("R", cameraRectify, number, true),
				field("P", cameraProjection, number, true), field("frame_id", cameraFrameID, text, false),
			},
		}},
	}, protoregistry.GlobalFiles)
	if err != nil {
		return nil, fmt.Errorf("schema of camera calibrations: %w", err)
	}
	return f.Messages().Get(0), nil
})

// camera is the calibration of a frame's image as viewers know it: of its own pixels, which are some of the chip's.
// Of a hexagonal lattice it is that of the even rows; the odd ones lie half a column further right.
type camera struct {
	chip             string
	width, height    uint32
	model            string
	distortion       []float64
	focalX, focalY   float64
	centreX, centreY float64
}

// cameraOf is the calibration of a frame whose pixels are blocks of these sizes.
func cameraOf(g *facetdv1.ChipGeometry, f *facetdv1.Frame, b *facetdv1.Binning) *camera {
	w := f.GetWindow()
	c := &camera{width: f.GetColumns(), height: f.GetRows(), chip: g.GetChip()}
	c.focalX, c.centreX = along(g.GetFocalColumns(), g.GetAxisColumn(), w.GetColumn(), w.GetColumnStep(),
		b.GetColumns())
	c.focalY, c.centreY = along(g.GetFocalRows(), g.GetAxisRow(), w.GetRow(), w.GetRowStep(), b.GetRows())
	c.model, c.distortion = distortionOf(g.GetProjection(), g.GetDistortionK1())
	return c
}

// along is focal length and place of the axis in pixels of a window that begins at a pixel of the chip. A pixel that
// stands for a block lies in its middle.
func along(focal, axis float64, first, step, block uint32) (pixels, centre float64) {
	step, block = max(step, 1), max(block, 1)
	middle := float64(first-first%block) + float64(block-1)/2
	return focal / float64(step), (axis - middle) / float64(step)
}

// distortionOf is how a lens departs from a pinhole, by the name and the coefficients that viewers know. A projection
// by the tangent of half the angle is developed into a series of that angle, which is within 0.1 % out to 90 degrees
// from the axis where k1 is 0 (derived).
func distortionOf(p facetdv1.Projection, k1 float64) (model string, coefficients []float64) {
	switch p {
	case facetdv1.Projection_PROJECTION_EQUIDISTANT:
		return "kannala_brandt", []float64{k1, 0, 0, 0}
	case facetdv1.Projection_PROJECTION_STEREOGRAPHIC:
		// r = 2 tan(t/2) = t + t^3/12 + t^5/120 + 17 t^7/20160 + 31 t^9/362880 + ..., and r + k1 r^3.
		return "kannala_brandt", []float64{1./12 + k1, 1./120 + k1/4, 17./20160 + k1*(1./40+1./48),
			31./362880 + k1*(17./6720+1./240+1./1728)}
	}
	return "plumb_bob", []float64{k1, 0, 0, 0, 0}
}

// append appends the calibration, as of the time of a frame.
func (c *camera) append(b []byte, f *facetdv1.Frame) ([]byte, error) {
	stamp, err := proto.MarshalOptions{Deterministic: true}.Marshal(f.GetFirstSampleTime())
	if err != nil {
		return nil, err
	}
	b = protowire.AppendTag(b, cameraTimestamp, protowire.BytesType)
	b = protowire.AppendBytes(b, stamp)
	b = protowire.AppendTag(b, cameraWidth, protowire.Fixed32Type)
	b = protowire.AppendFixed32(b, c.width)
	b = protowire.AppendTag(b, cameraHeight, protowire.Fixed32Type)
	b = protowire.AppendFixed32(b, c.height)
	b = protowire.AppendTag(b, cameraModel, protowire.BytesType)
	b = protowire.AppendString(b, c.model)
	b = appendNumbers(b, cameraDistortion, c.distortion...)
	b = appendNumbers(b, cameraMatrix, c.focalX, 0, c.centreX, 0, c.focalY, c.centreY, 0, 0, 1)
	b = appendNumbers(b, cameraRectify, 1, 0, 0, 0, 1, 0, 0, 0, 1)
	b = appendNumbers(b, cameraProjection, c.focalX, 0, c.centreX, 0, 0, c.focalY, c.centreY, 0, 0, 0, 1, 0)
	b = protowire.AppendTag(b, cameraFrameID, protowire.BytesType)
	return protowire.AppendString(b, c.chip), nil
}

func appendNumbers(b []byte, field protowire.Number, list ...float64) []byte {
	b = protowire.AppendTag(b, field, protowire.BytesType)
	b = protowire.AppendVarint(b, uint64(8*len(list)))
	for _, v := range list {
		b = protowire.AppendFixed64(b, math.Float64bits(v))
	}
	return b
}

// writeCamera writes the calibration of an image where it is not in the file yet: before the first image of a topic,
// and where the window has moved or its pixels stand for other blocks.
func (r *recording) writeCamera(task string, f *facetdv1.Frame, log uint64) error {
	g := r.cfg.chips[f.GetChip()]
	if g == nil {
		return nil // where it looks is not known
	}
	topic := TopicCameras + task + "/" + f.GetChip() + "/" + f.GetView()
	if task == "" {
		topic = TopicCaptureCameras + f.GetChip() + "/" + f.GetView()
	}
	w := f.GetWindow()
	block := r.binningOf(task, f.GetView())
	key := cameraKey{w.GetRow(), w.GetColumn(), w.GetRows(), w.GetColumns(), w.GetRowStep(), w.GetColumnStep(),
		block.GetRows(), block.GetColumns()}
	if was, has := r.cameras[topic]; has && was == key && task != "" {
		return nil
	}
	md, err := cameraDescriptor()
	if err != nil {
		return err
	}
	data, err := cameraOf(g, f, block).append(nil, f)
	if err != nil {
		return err
	}
	r.cameras[topic] = key
	r.tried.messages++
	return r.noted(r.part.writeData(topic, md, data, stamp{log, r.hostNS(f.GetFirstSampleBusNs())}, r.takeFlush()))
}

// cameraKey is what of a frame its calibration depends on, of one view of one chip.
type cameraKey struct{ row, column, rows, columns, rowStep, columnStep, blockRows, blockColumns uint32 }

// binningOf is the binning of a view of a task; that of an on-demand capture is not known.
func (r *recording) binningOf(task, view string) *facetdv1.Binning {
	for _, t := range r.plan.GetPlan().GetTasks() {
		if t.GetName() != task {
			continue
		}
		for i, v := range t.GetViews() {
			if v.GetName() == view || v.GetName() == "" && view == fmt.Sprintf("view-%d", i+1) {
				return v.GetBinning()
			}
		}
	}
	return nil
}

func (r *recording) writeImage(task string, f *facetdv1.Frame, log uint64) error {
	md, err := rawImageDescriptor()
	if err != nil {
		return err
	}
	data, err := appendRawImage(nil, f)
	if err != nil {
		return err
	}
	topic := TopicCaptureImages + f.GetChip() + "/" + f.GetView()
	if task != "" {
		topic = TopicImages + task + "/" + f.GetChip() + "/" + f.GetView()
	}
	r.tried.messages++
	return r.noted(r.part.writeData(topic, md, data, stamp{log, r.hostNS(f.GetFirstSampleBusNs())}, r.takeFlush()))
}

// beforeSecond is how many nanoseconds the light of the first frame of a pair is before that of the second, and 0 of
// others. Both are images of one topic: with one log time they would be one to readers that keep the newest of each
// time. Of a job that failed one may never have been read, and has no light: what cannot be is told as 1.
func beforeSecond(fs *facetdv1.FrameSet, f *facetdv1.Frame) uint64 {
	if f.GetSecondOfPair() {
		return 0
	}
	for _, o := range fs.GetFrames() {
		if !o.GetSecondOfPair() || o.GetChip() != f.GetChip() || o.GetView() != f.GetView() {
			continue
		}
		apart := o.GetLightBusNs() - f.GetLightBusNs()
		if apart < 1 || apart > fs.GetFinishBusNs()-fs.GetReleaseBusNs() {
			return 1
		}
		return uint64(apart)
	}
	return 0
}
