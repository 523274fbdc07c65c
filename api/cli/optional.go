package cli

import (
	"strconv"

	"github.com/spf13/pflag"
)

// OptionalFloat64 is a flag of a number that stays nil where it is not given, so that 0 can be.
func OptionalFloat64(flags *pflag.FlagSet, to **float64, name, usage string) {
	flags.Var(&optionalFloat64{to}, name, usage)
}

type optionalFloat64 struct{ to **float64 }

func (o *optionalFloat64) Set(s string) error {
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		return err
	}
	*o.to = &v
	return nil
}

// Type is what help and errors know the form of a value by.
func (o *optionalFloat64) Type() string { return "float64" }

// String is the default in help: none.
func (o *optionalFloat64) String() string {
	if o.to == nil || *o.to == nil {
		return ""
	}
	return Number(**o.to)
}
