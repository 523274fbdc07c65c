package api

import (
	"context"
	"fmt"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/chipmodel"
	"facetd.example/daemon/failure"
	"facetd.example/scheduler/program"
)

type arrayService struct {
	facetdv1.UnimplementedArrayServiceServer
	s *Server
}

func (v *arrayService) GetArray(context.Context, *facetdv1.GetArrayRequest) (*facetdv1.GetArrayResponse, error) {
	a := v.s.cfg.Array
	return &facetdv1.GetArrayResponse{Array: a.Message, Digest: a.Digest}, nil
}

func (v *arrayService) GetGeometry(_ context.Context, r *facetdv1.GetGeometryRequest) (*facetdv1.GetGeometryResponse,
	error) {
	g := v.s.geometry
	if r.GetDigest() != "" && r.GetDigest() != g.GetDigest() {
		return nil, &failure.NotFound{What: "geometry", Name: r.GetDigest()}
	}
	return &facetdv1.GetGeometryResponse{Geometry: g}, nil
}

func (v *arrayService) ComputeReach(_ context.Context, r *facetdv1.ComputeReachRequest) (*facetdv1.ComputeReachResponse,
	error) {
	a := v.s.cfg.Array
	var word chipmodel.LineSet
	var m invalid.Errors
	for i, name := range r.GetLines() {
		line, path := a.Line(name), fmt.Sprintf("lines[%d]", i)
		switch {
		case line < 0:
			m.Add(path, fmt.Sprintf("no select line is called %q", name), known(a.Lines))
		case word.Has(line):
			m.Add(path, fmt.Sprintf("select line %q is listed twice", name), "name each line once")
		default:
			word |= 1 << line
		}
	}
	if len(m) > 0 {
		return nil, m
	}
	return &facetdv1.ComputeReachResponse{Word: program.SelectWord(a, word)}, nil
}

func (v *arrayService) ComputeCover(_ context.Context, r *facetdv1.ComputeCoverRequest) (*facetdv1.ComputeCoverResponse,
	error) {
	a := v.s.cfg.Array
	target, m := a.Resolve(r.GetTarget())
	if len(m) > 0 {
		return nil, m.Under("target")
	}
	words, optimal, bound, err := program.Cover(a, target, r.GetOnce())
	if err != nil {
		return nil, err
	}
	return &facetdv1.ComputeCoverResponse{Words: words, Optimal: optimal, LowerBound: int64(bound)}, nil
}

// known is a hint that lists the known names.
func known(names []string) string {
	if len(names) == 0 {
		return "there are none"
	}
	return invalid.Known(names)
}
