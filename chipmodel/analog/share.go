package analog

import "math"

// Plane is a rectangle of analog memory cells.
type Plane struct {
	Rows, Columns int
	// Volts of the cells, row by row.
	Volts []float64
	// Farads of the cells, row by row; nil when all are alike. They must not change
	// after the first share.
	Farads []float64

	roots, inverse []float64 // sqrt(C) and 1/sqrt(C) of each cell
}

// Sharer closes the switches of patterns on planes of one class. It keeps its
// tables and buffers, so that a share allocates nothing once it has met a pattern;
// it is for one goroutine.
type Sharer struct {
	// SwitchOhms and CellFarads set how fast charge settles.
	SwitchOhms, CellFarads float64
	// Kelvin sets the noise that opening the switches leaves; 0 is noiseless.
	Kelvin float64
	// InjectionVolts is what opening a switch leaves on each of its cells.
	InjectionVolts float64
	// Noise is needed when Kelvin is above 0.
	Noise *Noise

	times []*timeKernels // the last few that were used
	now   *timeKernels
	next  int
	line  []float64 // of one chain, or the noise of one block or of a row of pairs
	early []float64 // two noises of one block that is opened early
}

// Share closes the switches of a column and a row pattern for a time, then opens them. Every connected block (a run of
// columns times a run of rows) moves towards the mean of its cells weighted by capacitance; what is left of a
// difference after that time follows the exact modes of a chain along each side (path graph: eigenvalues 2(1 - cos(pi
// j/n)) over RC, modes of the DCT-II). seconds below zero means fully settled. Charge is conserved.
//
// With unequal cells the final value is exact, while what is left of differences
// decays as with equal cells of CellFarads: wrong by about the cells' spread times the
// time constants x that have passed times exp(-x) of the largest difference.
//
// Opening leaves noise of covariance kT(diag(1/C_i) - 1/C_total) on a block (equipartition with conserved charge).
// Opening early leaves the part of it that has come by then: a mode that has decayed to exp(-x) has gained 1 - exp(-2x)
// of its kT/C, as it has lost the same part of the noise that was there before. So whatever the times, independent
// noise of kT/C on every cell stays just that.
func (s *Sharer) Share(p *Plane, columns, rows uint8, seconds float64) {
	if p.roots == nil && (p.Farads != nil || s.Kelvin > 0) {
		p.weigh(s.CellFarads)
	}
	s.at(seconds)
	pairs := columns == 0x55 || columns == 0xaa
	for r0 := 0; r0 < p.Rows; {
		r1 := BlockEnd(rows, p.Rows, r0)
		c0 := 0
		if pairs && r1-r0 == 2 && !s.kernel(2).early { // what smoothing is made of
			c0 = s.pairs(p, r0, int(columns>>1&1))
		}
		for c0 < p.Columns {
			c1 := BlockEnd(columns, p.Columns, c0)
			if (r1-r0)*(c1-c0) > 1 {
				s.block(p, r0, r1, c0, c1)
			}
			c0 = c1
		}
		r0 = r1
	}
}

// Draws is how many normals a share draws of the noise: whatever the volts, n-1 for each block of n cells, and two for
// each cell of one that is opened early.
func (s *Sharer) Draws(p *Plane, columns, rows uint8, seconds float64) int {
	if s.Kelvin <= 0 {
		return 0
	}
	s.at(seconds)
	draws := 0
	for r0 := 0; r0 < p.Rows; {
		r1 := BlockEnd(rows, p.Rows, r0)
		for c0 := 0; c0 < p.Columns; {
			c1 := BlockEnd(columns, p.Columns, c0)
			s.kernel(max(r1-r0, c1-c0))
			switch n := (r1 - r0) * (c1 - c0); {
			case n > 1 && (s.kernel(r1-r0).early || s.kernel(c1-c0).early):
				draws += 2 * n
			case n > 1:
				draws += n - 1
			}
			c0 = c1
		}
		r0 = r1
	}
	return draws
}

// weigh prepares the roots that means and noise need.
func (p *Plane) weigh(cell float64) {
	n := p.Rows * p.Columns
	p.roots, p.inverse = make([]float64, n), make([]float64, n)
	for i := range n {
		c := cell
		if p.Farads != nil {
			c = p.Farads[i]
		}
		p.roots[i] = math.Sqrt(c)
		p.inverse[i] = 1 / p.roots[i]
	}
}

// block shares the cells of rows r0..r1 and columns c0..c1 (exclusive). The plain
// mean is kept by the modes of a chain; a shift of all cells then restores the
// charge that was there.
func (s *Sharer) block(p *Plane, r0, r1, c0, c1 int) {
	charge, total := p.charge(r0, r1, c0, c1)
	s.kernel(max(r1-r0, c1-c0)) // so that neither of the two moves
	rowKernel, colKernel := s.kernel(r1-r0), s.kernel(c1-c0)
	if rowKernel.settled && colKernel.settled {
		mean := charge / total
		for r := r0; r < r1; r++ {
			line := p.Volts[r*p.Columns+c0 : r*p.Columns+c1]
			for i := range line {
				line[i] = mean
			}
		}
		s.open(p, r0, r1, c0, c1, total, s.InjectionVolts)
		return
	}
	if c1-c0 > 1 {
		for r := r0; r < r1; r++ {
			s.apply(s.cellsOf(colKernel, c1-c0), c1-c0, p.Volts[r*p.Columns+c0:], 1)
		}
	}
	if r1-r0 > 1 {
		for c := c0; c < c1; c++ {
			s.apply(s.cellsOf(rowKernel, r1-r0), r1-r0, p.Volts[r0*p.Columns+c:], p.Columns)
		}
	}
	if s.Kelvin > 0 && (rowKernel.early || colKernel.early) {
		s.openEarly(p, r0, r1, c0, c1, rowKernel, colKernel)
		now, _ := p.charge(r0, r1, c0, c1)
		s.shift(p, r0, r1, c0, c1, (charge-now)/total+s.InjectionVolts)
		return
	}
	now, _ := p.charge(r0, r1, c0, c1)
	s.open(p, r0, r1, c0, c1, total, (charge-now)/total+s.InjectionVolts)
}

// charge returns the charge of a block and its capacitance, in units of a cell's
// where cells are alike.
func (p *Plane) charge(r0, r1, c0, c1 int) (charge, total float64) {
	for r := r0; r < r1; r++ {
		for i := r*p.Columns + c0; i < r*p.Columns+c1; i++ {
			if p.roots == nil {
				charge += p.Volts[i]
				total++
				continue
			}
			c := p.roots[i] * p.roots[i]
			charge += c * p.Volts[i]
			total += c
		}
	}
	return charge, total
}

// open adds a voltage to every cell of a block, and the noise of its opening: the
// projection of C^-1/2 times white noise onto what moves no charge in all. A
// Householder reflection that takes the first axis to the weights w = sqrt(C/C_total)
// takes the other axes to that subspace, so n cells cost n-1 draws.
func (s *Sharer) open(p *Plane, r0, r1, c0, c1 int, total, all float64) {
	if s.Kelvin <= 0 {
		s.shift(p, r0, r1, c0, c1, all)
		return
	}
	first := r0*p.Columns + c0
	unit := 1 / math.Sqrt(total)
	draws := s.buffer((r1 - r0) * (c1 - c0))
	var along float64 // minus the first cell's share
	j := 0
	for r := r0; r < r1; r++ {
		for i := r*p.Columns + c0; i < r*p.Columns+c1; i++ {
			if i != first {
				draws[j] = s.Noise.Normal()
				along += p.roots[i] * unit * draws[j]
			}
			j++
		}
	}
	sigma := math.Sqrt(BoltzmannJPerK * s.Kelvin)
	back := along / (1 + p.roots[first]*unit) * unit
	j = 0
	for r := r0; r < r1; r++ {
		for i := r*p.Columns + c0; i < r*p.Columns+c1; i++ {
			z := draws[j] - p.roots[i]*back
			if i == first {
				z = -along
			}
			p.Volts[i] += all + sigma*p.inverse[i]*z
			j++
		}
	}
}

// shift adds a voltage to every cell of a block.
func (s *Sharer) shift(p *Plane, r0, r1, c0, c1 int, volts float64) {
	if volts == 0 {
		return
	}
	for r := r0; r < r1; r++ {
		for i := r*p.Columns + c0; i < r*p.Columns+c1; i++ {
			p.Volts[i] += volts
		}
	}
}

// openEarly adds the noise of a block whose switches were closed for a short time, for
// equal cells of covariance kT/C (1 - K_r^2 K_c^2), where K are the kernels of the
// sides. That is (1 - K_r^2) + K_r^2 (1 - K_c^2), so two white noises do: one through
// the root of the first along the columns of cells, one through the root of the second
// along both. With unequal cells the noise follows each cell's own kT/C, and moves no
// charge in all once the caller has put the charge back.
func (s *Sharer) openEarly(p *Plane, r0, r1, c0, c1 int, rows, columns *kernel) {
	m, n := r1-r0, c1-c0
	if len(s.early) < 2*m*n {
		s.early = make([]float64, 2*m*n)
	}
	one, two := s.early[:m*n], s.early[m*n:2*m*n]
	for i := range one {
		one[i], two[i] = s.Noise.Normal(), s.Noise.Normal()
	}
	for r := range m {
		s.apply(s.noiseOf(columns, n), n, two[r*n:], 1)
	}
	for c := range n {
		s.apply(s.noiseOf(rows, m), m, one[c:], n)
		s.apply(s.cellsOf(rows, m), m, two[c:], n)
	}
	sigma := math.Sqrt(BoltzmannJPerK * s.Kelvin)
	for r := range m {
		base := (r0+r)*p.Columns + c0
		for c := range n {
			p.Volts[base+c] += sigma * p.inverse[base+c] * (one[r*n+c] + two[r*n+c])
		}
	}
}

func (s *Sharer) buffer(n int) []float64 {
	if len(s.line) < n {
		s.line = make([]float64, n)
	}
	return s.line[:n]
}

// pairs shares the blocks of two rows and two columns from row r0 and column c0 on
// and returns the column after the last of them. It is block and open written out
// for four cells a b / c d with the modes of a pair: the mean, left minus right,
// upper minus lower, and the crossed one.
func (s *Sharer) pairs(p *Plane, r0, c0 int) int {
	if c0 == 1 { // a column without a partner
		if p.Columns < 2 {
			return 0
		}
		s.block(p, r0, r0+2, 0, 1)
	}
	left := s.left(s.kernel(2))
	at, below := r0*p.Columns, (r0+1)*p.Columns
	upper, lower := p.Volts[at:below], p.Volts[below:below+p.Columns]
	if p.roots == nil {
		for ; c0+1 < p.Columns; c0 += 2 {
			u, l := upper[c0:c0+2:c0+2], lower[c0:c0+2:c0+2]
			m, x, y, z := pairModes(u, l, left)
			m += s.InjectionVolts
			u[0], u[1], l[0], l[1] = m+x+y+z, m-x+y-z, m+x-y-z, m-x-y+z
		}
		return c0
	}
	sigma := math.Sqrt(BoltzmannJPerK * max(s.Kelvin, 0))
	ru, rl := p.roots[at:below], p.roots[below:below+p.Columns]
	iu, il := p.inverse[at:below], p.inverse[below:below+p.Columns]
	var draws []float64
	if sigma > 0 {
		draws = s.buffer(3 * ((p.Columns - c0) / 2))
		s.Noise.Normals(draws)
	}
	for ; c0+1 < p.Columns; c0 += 2 {
		u, l := upper[c0:c0+2:c0+2], lower[c0:c0+2:c0+2]
		wa, wb, wc, wd := ru[c0], ru[c0+1], rl[c0], rl[c0+1]
		ca, cb, cc, cd := wa*wa, wb*wb, wc*wc, wd*wd
		inverse := 1 / (ca + cb + cc + cd)
		mean := (ca*u[0] + cb*u[1] + cc*l[0] + cd*l[1]) * inverse
		_, x, y, z := pairModes(u, l, left)
		va, vb, vc, vd := x+y+z, y-x-z, x-y-z, z-x-y
		mean += s.InjectionVolts - (ca*va+cb*vb+cc*vc+cd*vd)*inverse
		if len(draws) >= 3 {
			nb, nc, nd := draws[0], draws[1], draws[2]
			draws = draws[3:]
			unit := math.Sqrt(inverse)
			along := (wb*nb + wc*nc + wd*nd) * unit
			back := along / (1 + wa*unit) * unit
			va -= sigma * iu[c0] * along
			vb += sigma * iu[c0+1] * (nb - wb*back)
			vc += sigma * il[c0] * (nc - wc*back)
			vd += sigma * il[c0+1] * (nd - wd*back)
		}
		u[0], u[1], l[0], l[1] = mean+va, mean+vb, mean+vc, mean+vd
	}
	return c0
}

// pairModes are the four modes of 2 x 2 cells after a time that leaves a part of
// the difference of a pair.
func pairModes(u, l []float64, left float64) (mean, x, y, z float64) {
	s0, s1, d0, d1 := u[0]+u[1], l[0]+l[1], u[0]-u[1], l[0]-l[1]
	return (s0 + s1) / 4, (d0 + d1) * (left / 4), (s0 - s1) * (left / 4), (d0 - d1) * (left * left / 4)
}
