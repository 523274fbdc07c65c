package cli

import (
	"testing"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
)

func TestRecordsCSV(t *testing.T) {
	type point struct {
		Rate   float64  `json:"rate_hz"`
		Note   string   `json:"note,omitempty"`
		Good   bool     `json:"good"`
		Inner  []string `json:"inner"`
		hidden int
	}
	for _, c := range []struct {
		records any
		want    string
	}{
		{[]point{{1234.56789012, `a, "b"`, true, nil, 1}, {0.1, "", false, nil, 2}},
			"rate_hz,note,good\n1234.56789012,\"a, \"\"b\"\"\",true\n0.1,,false\n"},
		{[]*point{{Rate: 2}}, "rate_hz,note,good\n2,,false\n"},
		{[]*facetdv1.BringupMeasurement{
			{Subject: "m0", Quantity: "skew", Value: 12.5, Unit: "ns", High: proto.Float64(20),
				Verdict: facetdv1.Verdict_VERDICT_PASS}},
			"subject,quantity,value,unit,low,high,verdict,note\nm0,skew,12.5,ns,,20,VERDICT_PASS,\n"},
		{[]point{}, ""},
	} {
		got, err := RecordsCSV(c.records)
		if err != nil || string(got) != c.want {
			t.Errorf("%v: got\n%s\nwant\n%s", err, got, c.want)
		}
	}
}
