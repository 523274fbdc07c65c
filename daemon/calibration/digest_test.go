package calibration

import (
	"errors"
	"testing"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/bus/bustest"
	"facetd.example/daemon/failure"
)

// TestServedByDigest: what a digest names is served, and never changes, also when it was replaced or deleted, as long
// as it is among the last; whoever wants to know learns of each that becomes active, with its numbers, and of each that
// no longer is.
func TestServedByDigest(t *testing.T) {
	var told []*facetdv1.CorrectionMap
	s := open(t, "", bustest.MustArray(), nil, nil)
	s.cfg.Changed = func(m *facetdv1.CorrectionMap) { told = append(told, m) }
	first := made(t, s, testChip, 1)
	get := func(digest string) *facetdv1.CorrectionMap {
		t.Helper()
		r, err := s.GetCorrectionMap(t.Context(), &facetdv1.GetCorrectionMapRequest{Digest: digest, Data: true})
		if err != nil {
			t.Fatal(err)
		}
		return r.GetCorrectionMap()
	}
	const replaced = facetdv1.CorrectionMapState_CORRECTION_MAP_STATE_REPLACED
	was := get(first.GetChecksumSha256())
	if was.GetState() != facetdv1.CorrectionMapState_CORRECTION_MAP_STATE_ACTIVE ||
		len(was.GetData().GetOffset()) == 0 {
		t.Error(was)
	}
	second := made(t, s, testChip, 2)
	if now := get(first.GetChecksumSha256()); now.GetState() != replaced ||
		!proto.Equal(now.GetData(), was.GetData()) || now.GetId() != was.GetId() {
		t.Error(now)
	}
	if _, err := s.DeleteCorrectionMap(t.Context(),
		&facetdv1.DeleteCorrectionMapRequest{Id: second.GetId()}); err != nil {
		t.Fatal(err)
	}
	if now := get(second.GetChecksumSha256()); now.GetState() != replaced {
		t.Error(now)
	}
	if len(told) != 3 || len(told[0].GetData().GetOffset()) == 0 || len(told[1].GetData().GetOffset()) == 0 ||
		told[0].GetId() != first.GetId() || told[1].GetId() != second.GetId() || told[2].GetData() != nil ||
		told[2].GetChecksumSha256() != second.GetChecksumSha256() ||
		told[2].GetState() != replaced {
		t.Error(told)
	}
	for range maxPast {
		made(t, s, testChip, 3)
	}
	_, err := s.GetCorrectionMap(t.Context(), &facetdv1.GetCorrectionMapRequest{Digest: first.GetChecksumSha256()})
	if notFound := new(*failure.NotFound); !errors.As(err, notFound) || (*notFound).Name != first.GetChecksumSha256() {
		t.Errorf("long ago: %v", err)
	}
	_, err = s.GetCorrectionMap(t.Context(), &facetdv1.GetCorrectionMapRequest{Digest: "x", Id: "y"})
	if wrong := new(invalid.Errors); !errors.As(err, wrong) || (*wrong)[0].Path != "digest" {
		t.Errorf("both: %v", err)
	}
}
