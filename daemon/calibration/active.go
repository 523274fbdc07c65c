package calibration

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/calibration/correction"
	"facetd.example/daemon/events"
)

// activeMap is a correction map that corrects frames. It does not change.
type activeMap struct {
	key     key
	meta    *facetdv1.CorrectionMap
	cmap    *correction.Map
	created time.Time
}

func newActiveMap(meta *facetdv1.CorrectionMap, m *correction.Map) *activeMap {
	return &activeMap{
		key: key{meta.GetChip(), settingsText(meta.GetSettings())}, meta: meta, cmap: m,
		created: meta.GetCreateTime().AsTime(),
	}
}

// age is how old a correction map is; a clock that was set back makes it new.
func (s *Maps) age(m *activeMap) time.Duration { return max(s.cfg.Clock().Sub(m.created), 0) }

func (s *Maps) stale(m *activeMap) bool { return s.age(m) > s.cfg.MaxAge }

// shown describes a correction map as it is now, without its numbers.
func (s *Maps) shown(m *activeMap) *facetdv1.CorrectionMap {
	out := proto.CloneOf(m.meta)
	out.Age = durationpb.New(s.age(m).Truncate(time.Second))
	out.State = facetdv1.CorrectionMapState_CORRECTION_MAP_STATE_ACTIVE
	if s.stale(m) {
		out.State = facetdv1.CorrectionMapState_CORRECTION_MAP_STATE_STALE
	}
	return out
}

// describe fills in what follows from a correction map's numbers.
func describe(meta *facetdv1.CorrectionMap, m *correction.Map) {
	meta.Rows, meta.Columns = uint32(m.Shape.Rows), uint32(m.Shape.Columns)
	meta.Method = methodMessage(m.Method)
	meta.VoltsPerCode, meta.CodesPerDecade = m.Scale.VoltsPerCode, known(math.Abs(m.CodesPerDecade))
	meta.DieKelvin = known(m.Kelvin)
	meta.DarkResolved = m.DarkResolved
	if m.Method == correction.LogResponse {
		meta.MeanResponse = &facetdv1.MeanResponse{OffsetCodes: m.Mean.A, SlopeCodes: m.Mean.B, DarkLux: m.Mean.C}
		meta.CodesPerDecade = known(math.Abs(m.Mean.B) * math.Ln10)
	}
	var counts [16]uint32
	for _, d := range m.Defects {
		for bit := range kindBits {
			if d.Kinds&(1<<bit) != 0 {
				counts[bit]++
			}
		}
	}
	meta.Defects, meta.DefectivePixels = nil, uint32(len(m.Defects))
	for bit, n := range counts[:kindBits] {
		if n > 0 {
			meta.Defects = append(meta.Defects, &facetdv1.DefectCount{Kind: facetdv1.DefectKind(bit + 1), Pixels: n})
		}
	}
}

// known is a number for a field that is unset where 0 says that the number is not known.
func known(v float64) *float64 {
	if v == 0 {
		return nil
	}
	return &v
}

// kindBits is how many kinds of defect there are: bit i of correction.Kind is number i+1 of
// the schema's.
const kindBits = 11

func methodMessage(m correction.Method) facetdv1.CalibrationMethod {
	return facetdv1.CalibrationMethod(m) // numbered alike
}

// levelMessages are the levels of a correction map with what is left at each.
func levelMessages(m *correction.Map, reports []correction.LevelReport,
	perDecade float64) []*facetdv1.CorrectionMapLevel {
	var out []*facetdv1.CorrectionMapLevel
	decades := func(codes float64) *float64 {
		if perDecade == 0 {
			return nil
		}
		return new(codes / math.Abs(perDecade))
	}
	for _, r := range reports {
		var lux *float64
		if r.Lux >= 0 { // below, nobody said what it was
			lux = &r.Lux
		}
		out = append(out, &facetdv1.CorrectionMapLevel{
			Lux: lux, Frames: uint32(r.Frames), MeanCodes: r.MeanCode,
			NoiseCodes:  r.NoiseCodes,
			BeforeCodes: r.BeforeCodes, AfterCodes: r.AfterCodes, MisfitCodes: r.MisfitCodes,
			FloorCodes:  r.NoiseCodes / math.Sqrt(float64(max(r.Frames, 1))),
			BeforeVolts: r.BeforeCodes * m.Scale.VoltsPerCode, AfterVolts: r.AfterCodes * m.Scale.VoltsPerCode,
			BeforeDecades: decades(r.BeforeCodes), AfterDecades: decades(r.AfterCodes),
		})
	}
	return out
}

// dataMessage is the numbers of a correction map.
func dataMessage(m *correction.Map) *facetdv1.CorrectionMapData {
	out := &facetdv1.CorrectionMapData{Offset: slices.Clone(m.Offset), Gain: slices.Clone(m.Gain),
		Dark: slices.Clone(m.Dark)}
	for _, d := range m.Defects {
		p := &facetdv1.PixelDefect{Row: uint32(d.Pixel / m.Shape.Columns), Column: uint32(d.Pixel % m.Shape.Columns)}
		for bit := range kindBits {
			if d.Kinds&(1<<bit) != 0 {
				p.Kinds = append(p.Kinds, facetdv1.DefectKind(bit+1))
			}
		}
		out.Defects = append(out.Defects, p)
	}
	return out
}

// note sends an event to the journal.
func (s *Maps) note(severity facetdv1.Severity, chips []string, fields events.Fields, format string, args ...any) {
	e := events.Info(facetdv1.EventKind_EVENT_KIND_CALIBRATION, fmt.Sprintf(format, args...))
	e.Severity, e.Chips, e.Fields = severity, chips, fields
	s.cfg.Events.Send(e)
}

const (
	info    = facetdv1.Severity_SEVERITY_INFO
	warning = facetdv1.Severity_SEVERITY_WARNING
)

// noteLoaded reports what came from the folder: one event for all that are active, and one for each
// file that was refused.
func (s *Maps) noteLoaded(got found) {
	var chips []string
	for _, m := range got.cmaps {
		if !slices.Contains(chips, m.key.chip) {
			chips = append(chips, m.key.chip)
		}
		if s.stale(m) {
			s.note(warning, []string{m.key.chip}, mapFields(m.meta),
				"correction map %s is %s old and stale: calibrate chip %s again", m.meta.GetId(), days(s.age(m)),
				m.key.chip)
		}
	}
	slices.Sort(chips)
	if len(got.cmaps) > 0 {
		s.note(info, chips, events.Fields{"correction_maps": events.Integer(len(got.cmaps))},
			"%d correction maps loaded and active", len(got.cmaps))
	}
	for _, r := range got.refused {
		var of []string
		if s.cfg.Array.Chip(r.GetChip()) >= 0 {
			of = []string{r.GetChip()}
		}
		s.note(warning, of, events.Fields{"file": events.Text(r.GetFile())}, "correction map file %s refused: %s",
			r.GetFile(),
			r.GetReason())
	}
}

func (s *Maps) noteMade(what string, meta *facetdv1.CorrectionMap) {
	worst := 0.0
	for _, l := range meta.GetLevels() {
		worst = max(worst, l.GetAfterVolts(), l.GetFloorCodes()*meta.GetVoltsPerCode())
	}
	s.note(info, []string{meta.GetChip()}, mapFields(meta),
		"correction map %s %s for chip %s, view %s: %s, %d levels, %d defective pixels, fixed pattern left at most "+
			"%.3g mV",
		meta.GetId(), what, meta.GetChip(), meta.GetView(), methodName(meta.GetMethod()), len(meta.GetLevels()),
		meta.GetDefectivePixels(), 1e3*worst)
}

func mapFields(m *facetdv1.CorrectionMap) events.Fields {
	return events.Fields{"correction_map": events.Text(m.GetId()),
		"checksum_sha256": events.Text(m.GetChecksumSha256()), "view": events.Text(m.GetView())}
}

func methodName(m facetdv1.CalibrationMethod) string {
	name := strings.TrimPrefix(m.String(), "CALIBRATION_METHOD_")
	return strings.ToLower(strings.ReplaceAll(name, "_", " "))
}

// days writes an age for people.
func days(d time.Duration) string {
	if d < 48*time.Hour {
		return fmt.Sprintf("%.0f hours", d.Hours())
	}
	return fmt.Sprintf("%.0f days", d.Hours()/24)
}
