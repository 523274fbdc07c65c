package bridge

import (
	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	fleetv1 "facetd.example/api/facetfleet/v1"
	"facetd.example/clients/go/facet"
)

// thumbnailSide is the longer side of a small picture, in pixels.
const thumbnailSide = 32

// thumbnails are small pictures of a frame set, with the set without its pixels.
func thumbnails(set *facet.FrameSet) (*facetdv1.FrameSet, []*fleetv1.Thumbnail) {
	bare := proto.CloneOf(&facetdv1.FrameSet{Task: set.Message.GetTask(), Job: set.Message.GetJob(),
		ReleaseBusNs: set.Message.GetReleaseBusNs(), FinishBusNs: set.Message.GetFinishBusNs(),
		Late: set.Message.GetLate(), Failure: set.Message.GetFailure(),
		TaskGeneration: set.Message.GetTaskGeneration()})
	pictures := make([]*fleetv1.Thumbnail, 0, len(set.Frames()))
	for _, f := range set.Frames() {
		pictures = append(pictures, thumbnail(f.Chip(), f.Rows(), f.Columns(), f.Codes(nil)))
	}
	return bare, pictures
}

// thumbnail takes means over blocks of codes and stretches them to their own range.
func thumbnail(chip string, rows, columns int, codes []uint16) *fleetv1.Thumbnail {
	step := max(1, (max(rows, columns)+thumbnailSide-1)/thumbnailSide)
	height, width := (rows+step-1)/step, (columns+step-1)/step
	means := make([]float64, 0, height*width)
	for y := range height {
		for x := range width {
			sum, n := 0., 0.
			for r := y * step; r < min(rows, (y+1)*step); r++ {
				for c := x * step; c < min(columns, (x+1)*step); c++ {
					sum, n = sum+float64(codes[r*columns+c]), n+1
				}
			}
			means = append(means, sum/n)
		}
	}
	t := &fleetv1.Thumbnail{Chip: chip, Width: uint32(width), Height: uint32(height), Pixels: make([]byte, len(means))}
	if len(means) == 0 {
		return t
	}
	low, high := means[0], means[0]
	for _, m := range means {
		low, high = min(low, m), max(high, m)
	}
	for i, m := range means {
		if high > low {
			t.Pixels[i] = byte(255*(m-low)/(high-low) + 0.5)
		}
	}
	return t
}
