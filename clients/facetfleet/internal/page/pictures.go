package page

import (
	fleetv1 "facetd.example/api/facetfleet/v1"
)

type thumbnailSet = fleetv1.RobotFrames

// setLine is a set of thumbnails as the page shows it.
type setLine struct {
	Task     string        `json:"task"`
	Job      uint64        `json:"job"`
	Failure  string        `json:"failure,omitempty"`
	Skipped  uint64        `json:"skipped"`
	Pictures []pictureLine `json:"pictures"`
}

// pictureLine is one of them; JSON has its bytes in base64.
type pictureLine struct {
	Chip   string `json:"chip"`
	Width  uint32 `json:"width"`
	Height uint32 `json:"height"`
	Pixels []byte `json:"pixels"`
}

func pictures(f *thumbnailSet) setLine {
	s := setLine{Task: f.GetSet().GetTask(), Job: f.GetSet().GetJob(), Failure: f.GetSet().GetFailure(),
		Skipped: f.GetSkipped(), Pictures: []pictureLine{}}
	for _, t := range f.GetThumbnails() {
		if uint64(len(t.GetPixels())) == uint64(t.GetWidth())*uint64(t.GetHeight()) {
			s.Pictures = append(s.Pictures, pictureLine{t.GetChip(), t.GetWidth(), t.GetHeight(), t.GetPixels()})
		}
	}
	return s
}
