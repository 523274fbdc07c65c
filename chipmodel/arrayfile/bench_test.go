package arrayfile

import (
	"bytes"
	"fmt"
	"testing"

	"facetd.example/deploy"
)

// thousand is an array file of 1,000 memory chips in a grid of 10 x 10 x 10 select lines.
func thousand() []byte {
	var b bytes.Buffer
	b.Write(deploy.CrawlerArray[:bytes.Index(deploy.CrawlerArray, []byte("select_lines:"))])
	b.WriteString("select_lines: [")
	for i := range 30 {
		fmt.Fprintf(&b, "s%d, ", i)
	}
	b.WriteString("]\n")
	from := bytes.Index(deploy.CrawlerArray, []byte("timing:"))
	b.Write(deploy.CrawlerArray[from:bytes.Index(deploy.CrawlerArray, []byte("\nchips:"))])
	b.WriteString("\nchips:\n")
	for i := range 1000 {
		fmt.Fprintf(&b, "  - {name: c%d, class: wall-eye, selects: [s%d, s%d, s%d], lane: %c, mount: {yaw_deg: %d},"+
			" lens: {horizontal_fov_deg: 40, vertical_fov_deg: 40}}\n", i, i/100, 10+i/10%10, 20+i%10, 'a'+i%2,
			i%360-180)
	}
	return b.Bytes()
}

func BenchmarkParseArray(b *testing.B) {
	for name, data := range map[string][]byte{"demo": deploy.CrawlerArray, "thousand": thousand()} {
		b.Run(name, func(b *testing.B) {
			b.SetBytes(int64(len(data)))
			b.ReportAllocs()
			for b.Loop() {
				if a, m := ParseArray("f", data); a == nil {
					b.Fatal(m)
				}
			}
		})
	}
}
