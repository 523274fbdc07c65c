package cli

import (
	"errors"

	"github.com/spf13/pflag"
)

// forms is what the value of a flag of a type looks like.
var forms = map[string]string{
	"float64": "a number without a unit, such as 12.5", "duration": "a time with its unit, such as 250ms or 1m30s",
	"int": "a whole number", "int64": "a whole number", "uint": "a whole number from 0 on",
	"uint32": "a whole number from 0 to 4294967295", "uint64": "a whole number from 0 on", "bool": "true or false",
}

// flagError says what is wrong with a flag; of a value, which flag it is for, what it is to look like, and what it is,
// with its unit, where the library has the words of its parser.
func flagError(err error) error {
	var bad *pflag.InvalidValueError
	if !errors.As(err, &bad) {
		return Usagef("%s", err)
	}
	flag := bad.GetFlag()
	form, known := forms[flag.Value.Type()]
	if !known {
		return Usagef("%s", err)
	}
	return Usagef("--%s %q: write %s (%s)", flag.Name, bad.GetValue(), form, flag.Usage)
}
