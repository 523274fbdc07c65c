package chipmodel

import (
	"crypto/sha256"
	"encoding/hex"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel/geometry"
)

// Geometry is where the pixels of the array's chips look.
func (a *Array) Geometry() *facetdv1.Geometry {
	g, described := &facetdv1.Geometry{}, &facetdv1.Array{}
	for i := range a.Chips {
		if c := &a.Chips[i]; c.Class != nil {
			g.Chips = append(g.Chips, c.geometry())
			described.Chips = append(described.Chips, &facetdv1.Chip{Name: c.Name, Lens: c.Spec.GetLens(),
				Mount: c.Spec.GetMount()})
			described.Classes = append(described.Classes, &facetdv1.ChipClass{Lattice: c.Class.Spec.GetLattice()})
		}
	}
	// The digest is of what the description says, not of what was computed from it: kinds of processors differ in the
	// last bit of that. Marshalling a message whose names were just read cannot fail.
	encoded, _ := proto.MarshalOptions{Deterministic: true}.Marshal(described)
	sum := sha256.Sum256(encoded)
	g.Digest = hex.EncodeToString(sum[:])
	return g
}

func (c *Chip) geometry() *facetdv1.ChipGeometry {
	camera := c.Camera()
	l, rotation := camera.Lattice(), camera.Attitude()
	width, _ := l.Extent()
	fx, fy := camera.Focal()
	x, y, z := camera.Place()
	turned, optical := rotation.RollPitchYaw(), rotation.Optical().Quaternion()
	g := &facetdv1.ChipGeometry{
		Chip: c.Name, Arrangement: facetdv1.Arrangement_ARRANGEMENT_SQUARE,
		Rows: uint32(l.Rows), Columns: uint32(l.Columns),
		ColumnPitchUm: l.PitchXUm, RowPitchUm: l.PitchXUm * l.RowPitch(),
		Projection:   facetdv1.Projection_PROJECTION_RECTILINEAR,
		FocalColumns: fx, FocalRows: fy / l.RowPitch(),
		AxisColumn: (width - 1) / 2, AxisRow: float64(l.Rows-1) / 2,
		DistortionK1: camera.Lens().DistortionK1, Rotation: rotation[:],
		XM: x, YM: y, ZM: z,
		RollRad: turned.Roll, PitchRad: turned.Pitch, YawRad: turned.Yaw,
		OpticalOrientation: []float64{optical.X, optical.Y, optical.Z, optical.W},
	}
	if l.Hexagonal {
		g.Arrangement = facetdv1.Arrangement_ARRANGEMENT_HEXAGONAL
	}
	switch camera.Lens().Projection {
	case geometry.Equidistant:
		g.Projection = facetdv1.Projection_PROJECTION_EQUIDISTANT
	case geometry.Stereographic:
		g.Projection = facetdv1.Projection_PROJECTION_STEREOGRAPHIC
	}
	return g
}
