package events

import facetdv1 "facetd.example/api/facetd/v1"

// Fields are the numbers and names of an event, by a name with its unit.
type Fields = map[string]*facetdv1.EventValue

// Text is a name, or words.
func Text(s string) *facetdv1.EventValue {
	return &facetdv1.EventValue{Value: &facetdv1.EventValue_Text{Text: s}}
}

// Integer is a whole number, such as a count or a time in nanoseconds.
func Integer[T ~int | ~int64 | ~uint32 | ~uint64](n T) *facetdv1.EventValue {
	return &facetdv1.EventValue{Value: &facetdv1.EventValue_Integer{Integer: int64(n)}}
}

// Number is any other number.
func Number(f float64) *facetdv1.EventValue {
	return &facetdv1.EventValue{Value: &facetdv1.EventValue_Number{Number: f}}
}
