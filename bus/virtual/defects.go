package virtual

import (
	"fmt"
	"strconv"
	"strings"

	"facetd.example/api/invalid"
	"facetd.example/chipmodel/die"
)

// Defect is a defective pixel of a chip.
type Defect struct {
	Chip string
	die.Defect
}

// DefectForm is how a defect is written.
const DefectForm = "CHIP:ROW,COLUMN=stuck@VOLTS or =noisy@VOLTS"

// ParseDefect reads a defect such as wall-00:3,4=stuck@1.2 or bed-1:0,7=noisy@0.01.
func ParseDefect(text string) (Defect, error) {
	wrong := fmt.Errorf("%q is not a defect; write %s", text, DefectForm)
	place, what, ok := strings.Cut(text, "=")
	chip, at, ok2 := strings.Cut(place, ":")
	row, column, ok3 := strings.Cut(at, ",")
	kind, amount, ok4 := strings.Cut(what, "@")
	if !ok || !ok2 || !ok3 || !ok4 || chip == "" {
		return Defect{}, wrong
	}
	d := Defect{Chip: chip}
	var err1, err2, err3 error
	var volts float64
	d.Row, err1 = strconv.Atoi(row)
	d.Column, err2 = strconv.Atoi(column)
	volts, err3 = strconv.ParseFloat(amount, 64)
	if err1 != nil || err2 != nil || err3 != nil {
		return Defect{}, wrong
	}
	switch kind {
	case "stuck":
		d.Stuck, d.Volts = true, volts
	case "noisy":
		d.NoiseVolts = volts
	default:
		return Defect{}, wrong
	}
	return d, nil
}

// setDefects gives the dies their defective pixels.
func (b *Bus) setDefects() error {
	var m invalid.Errors
	for i, d := range b.cfg.Defects {
		if b.array.Chip(d.Chip) < 0 {
			m.Add(fmt.Sprintf("defects[%d]", i), fmt.Sprintf("no chip is called %q", d.Chip), "")
		}
	}
	for i := range b.array.Chips {
		var of []die.Defect
		for _, d := range b.cfg.Defects {
			if d.Chip == b.array.Chips[i].Name {
				of = append(of, d.Defect)
			}
		}
		if simulated, can := b.chips[i].die.(*die.Die); can && len(of) > 0 {
			if err := simulated.SetDefects(of); err != nil {
				m.Add("defects", b.array.Chips[i].Name+": "+err.Error(), "")
			}
		}
	}
	return m.Err()
}
