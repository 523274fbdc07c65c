package probe

import (
	"os"
	"testing"
	"time"

	"facetd.example/chipmodel"
	"facetd.example/chipmodel/arrayfile"
)

func crawler(t testing.TB) *chipmodel.Array {
	t.Helper()
	const file = "../../deploy/examples/crawler/array.yaml"
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	a, m := arrayfile.ParseArray(file, data)
	if err := m.Err(); err != nil {
		t.Fatal(err)
	}
	return a
}

func TestScratch(t *testing.T) {
	a := crawler(t)
	p, err := New(a, Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Log(len(p.singles), len(p.enable), len(p.look))
	began := time.Now()
	spine := p.soundSpine()
	t.Log(len(spine), time.Since(began))
	n := p.root
	for _, e := range spine {
		t.Log(a.LineNames(e.Enable), lookNames(a, e), p.Observe(nil, e).Levels, len(n.alive), len(e.Risks))
		n = p.follow(n, pack(e, p.Observe(nil, e).Levels))
	}
	t.Log(len(n.alive), p.of(n))
	began = time.Now()
	total := 0
	var hist [200]int
	contend := map[int]int{}
	for i := range p.singles {
		s := p.Start()
		for {
			e, done := p.Next(s)
			if done {
				break
			}
			o := p.Observe(p.singles[i].faults, e)
			if o.Contending != nil {
				contend[i]++
			}
			if o.Lasting {
				t.Error("lasting")
			}
			s = p.Update(s, e, o.Levels)
		}
		total += s.Readouts()
		hist[len(s.node.alive)]++
	}
	t.Log(len(contend), contend)
	t.Log(total, total/len(p.singles), time.Since(began), hist[:60])
}

func lookNames(a *chipmodel.Array, e Experiment) (out [][]string) {
	for _, l := range e.Looks {
		out = append(out, a.LineNames(l))
	}
	return out
}
