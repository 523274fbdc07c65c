package selectword

import "math"

// maxSimplexRows limits the linear program: its basis is a dense square matrix.
const maxSimplexRows = 160

// dual is a price for each row such that no column holds rows worth more than its cost. The prices of the rows still
// open are then a bound on what covering them costs, anywhere in the search. Prices are whole multiples of 1/scale, so
// that the bound is exact: with floats, a rounding error could prove an answer optimal that is not.
type dual struct {
	price []int64
	scale int64
}

// bound is the least whole cost that the open rows' prices leave possible.
func (d *dual) bound(open []uint64) int64 {
	var sum int64
	for r := range members(open) {
		sum += d.price[r]
	}
	if sum <= 0 {
		return 0
	}
	return (sum + d.scale - 1) / d.scale
}

// dual solves the linear relaxation and rounds its prices to safe whole numbers.
func (pr *problem) dual(in *instance) *dual {
	prices := make([]float64, pr.rows)
	if pr.rows <= maxSimplexRows {
		prices = pr.simplex(in)
	}
	var dearest int64 = 1
	for i := range pr.cols {
		dearest = max(dearest, pr.cols[i].cost)
	}
	d := &dual{price: make([]int64, pr.rows), scale: 1 << 20}
	for d.scale > 1 && float64(dearest)*float64(d.scale)*float64(pr.rows+1) > 1<<60 {
		d.scale /= 2
	}
	// Rounded prices may still be a little too high for some column. Scaling all of them down makes them valid; if that
	// does not end, prices of 0 are.
	for range 4 {
		for r, y := range prices {
			d.price[r] = int64(math.Floor(y * float64(d.scale)))
		}
		worst := d.worst(pr.cols)
		if worst <= 1 {
			return d
		}
		for r := range prices {
			prices[r] /= worst * (1 + 1e-9)
		}
	}
	clear(d.price)
	return d
}

// worst is the largest ratio of a column's prices to its cost.
func (d *dual) worst(cols []column) float64 {
	worst := 0.0
	for i := range cols {
		var sum int64
		for r := range members(cols[i].has) {
			sum += d.price[r]
		}
		if limit := cols[i].cost * d.scale; sum > limit {
			worst = max(worst, float64(sum)/float64(limit))
		}
	}
	return worst
}

// simplex solves min cost*x, A x >= 1 (= 1 where once), x >= 0 by the revised simplex method with an explicit inverse
// of the basis and returns the row prices. It starts from one artificial column per row, as dear as the dearest column
// that holds it: no true column of that row alone costs more. Prices from an early stop are too high for some column;
// the caller scales them down.
func (pr *problem) simplex(in *instance) []float64 {
	n := pr.rows
	s := &simplex{n: n, inverse: make([][]float64, n), cost: make([]float64, n), x: make([]float64, n),
		price: make([]float64, n)}
	for r := range n {
		s.inverse[r] = make([]float64, n)
		s.inverse[r][r], s.x[r] = 1, 1
	}
	rows, costs := pr.lists()
	total := 0
	for i, list := range rows {
		total += len(list)
		for _, r := range list {
			s.cost[r] = max(s.cost[r], costs[i])
		}
	}
	step := 1 + (total+4*n*n)/1000
	direction := make([]float64, n)
	for range 50 + 20*n {
		if !in.charge(step) {
			break
		}
		s.reprice()
		enter, gain := -1, 1e-7
		for i, list := range rows {
			reduced := -costs[i]
			for _, r := range list {
				reduced += s.price[r]
			}
			if !pr.unit {
				reduced /= costs[i]
			}
			if reduced > gain {
				enter, gain = i, reduced
			}
		}
		surplus := -1
		if !pr.once {
			for r, y := range s.price {
				if -y > gain*s.cost[r] && -y > 1e-7 {
					surplus, gain = r, -y
				}
			}
		}
		switch {
		case surplus >= 0:
			for k := range n {
				direction[k] = -s.inverse[k][surplus]
			}
			s.pivot(direction, 0)
		case enter >= 0:
			for k := range n {
				sum, row := 0.0, s.inverse[k]
				for _, r := range rows[enter] {
					sum += row[r]
				}
				direction[k] = sum
			}
			s.pivot(direction, costs[enter])
		default:
			return pr.usable(s.price)
		}
	}
	return pr.usable(s.price)
}

// lists returns the rows of each column, which are gone through more often than bits
// are quick to pick out, and the costs.
func (pr *problem) lists() (rows [][]int32, costs []float64) {
	rows, costs = make([][]int32, len(pr.cols)), make([]float64, len(pr.cols))
	total := 0
	for i := range pr.cols {
		total += count(pr.cols[i].has)
	}
	all := make([]int32, 0, total)
	for i := range pr.cols {
		from := len(all)
		for r := range members(pr.cols[i].has) {
			all = append(all, int32(r))
		}
		rows[i], costs[i] = all[from:], float64(pr.cols[i].cost)
	}
	return rows, costs
}

// usable makes prices finite, and not negative where rows may be covered twice.
func (pr *problem) usable(price []float64) []float64 {
	for r, y := range price {
		if math.IsNaN(y) || math.IsInf(y, 0) || (!pr.once && y < 0) {
			price[r] = 0
		}
	}
	return price
}

type simplex struct {
	n       int
	inverse [][]float64 // of the basis
	cost    []float64   // of the basic columns
	x       []float64   // values of the basic columns
	price   []float64
}

func (s *simplex) reprice() {
	clear(s.price)
	for k := range s.n {
		if c := s.cost[k]; c != 0 {
			price := s.price[:len(s.inverse[k])]
			for r, v := range s.inverse[k] {
				price[r] += c * v
			}
		}
	}
}

// pivot brings a column into the basis in place of the one that reaches zero
// first.
func (s *simplex) pivot(direction []float64, cost float64) {
	leave, least := -1, math.Inf(1)
	for k, d := range direction {
		if d > 1e-9 && s.x[k]/d < least-1e-12 {
			leave, least = k, s.x[k]/d
		}
	}
	if leave < 0 {
		return // cannot happen: costs are positive, so the program is bounded
	}
	row := s.inverse[leave]
	for r := range row {
		row[r] /= direction[leave]
	}
	s.x[leave] = least
	s.cost[leave] = cost
	for k, d := range direction {
		if k == leave || d == 0 {
			continue
		}
		other := s.inverse[k][:len(row)]
		for r, v := range row {
			other[r] -= d * v
		}
		s.x[k] = max(0, s.x[k]-d*least)
	}
}
