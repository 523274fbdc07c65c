package chipmodel

import (
	"fmt"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel/geometry"
)

// Camera is a chip of a checked array with classes, behind its lens and on its mount.
func (c *Chip) Camera() *geometry.Camera {
	m := c.Spec.GetMount()
	return geometry.New(latticeOf(c.Class.Spec),
		geometry.Mount{YawDeg: m.GetYawDeg(), PitchDeg: m.GetPitchDeg(), RollDeg: m.GetRollDeg(),
			XM: m.GetXM(), YM: m.GetYM(), ZM: m.GetZM()},
		lensOf(c.Spec.GetLens()))
}

func latticeOf(c *facetdv1.ChipClass) geometry.Lattice {
	l := c.GetLattice()
	return geometry.Lattice{Rows: int(l.GetRows()), Columns: int(l.GetColumns()),
		Hexagonal: l.GetArrangement() == facetdv1.Arrangement_ARRANGEMENT_HEXAGONAL,
		PitchXUm:  l.GetPitchXUm(), PitchYUm: l.GetPitchYUm()}
}

func lensOf(l *facetdv1.Lens) geometry.Lens {
	out := geometry.Lens{
		HorizontalFOVDeg: l.GetHorizontalFovDeg(), VerticalFOVDeg: l.GetVerticalFovDeg(),
		DistortionK1: l.GetDistortionK1(), Vignetting: l.GetVignetting(), BlurPixels: l.GetBlurPixels(),
		FNumber: l.GetFNumber(), FocusM: l.GetFocusM(), SubjectM: l.GetSubjectM(),
	}
	switch l.GetProjection() {
	case facetdv1.Projection_PROJECTION_EQUIDISTANT:
		out.Projection = geometry.Equidistant
	case facetdv1.Projection_PROJECTION_STEREOGRAPHIC:
		out.Projection = geometry.Stereographic
	}
	for _, p := range l.GetFalloff() {
		out.Falloff = append(out.Falloff, geometry.FalloffPoint{AngleDeg: p.GetAngleDeg(), Relative: p.GetRelative()})
	}
	return out
}

// lens checks the optics of a chip and gives them their defaults. What is wrong with the lattice of its class is
// reported elsewhere; the lens is then checked before a square of one pixel.
func (b *builder) lens(path string, chip *facetdv1.Chip, class *Class) {
	if chip.GetLens() == nil {
		chip.Lens = &facetdv1.Lens{}
	}
	l := chip.GetLens()
	if _, known := facetdv1.Projection_name[int32(l.GetProjection())]; !known {
		b.m.Add(path+".projection", fmt.Sprintf("there is no projection %d", l.GetProjection()),
			"use rectilinear, equidistant or stereographic")
		return
	}
	lattice := geometry.Lattice{Rows: 1, Columns: 1, PitchXUm: 10, PitchYUm: 10}
	if class != nil && len(latticeOf(class.Spec).Check()) == 0 {
		lattice = latticeOf(class.Spec)
	}
	orElse(&l.HorizontalFovDeg, defaultFOVDeg)
	orElse(&l.VerticalFovDeg, lensOf(l).Projection.VerticalFOVDeg(l.GetHorizontalFovDeg(), lattice))
	b.m = append(b.m, lensOf(l).Check(lattice).Under(path)...)
}
