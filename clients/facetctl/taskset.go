package main

import (
	"context"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/durationpb"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
)

func (a *app) tasksSetCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "set NAME [VIEW:]FIELD=VALUE...",
		Short: "Set what moves between the jobs of a task, such as the place of a window",
		Long: `set gives other values to what the views of a task say in movable: row, column,
pixel_bias, output_bias, gain_index, offset, exposure, active. All of them are set, or none.
They are active from the next job on that has not begun, which is told; no timetable changes.
An exposure is a time such as 2.5ms, which is rounded up to the grain of the bus. active=false
leaves the frames of a view out. A task with one view needs no VIEW.`,
		Example: `  facetctl tasks set track row=12 column=4
  facetctl tasks set bow exposure=800us
  facetctl tasks set track spot:row=12 wide:gain_index=2`,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) < 2 {
				return cli.Usagef("give the name of a task and what is to be set, such as row=12")
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			views, err := viewParameters(args[1:])
			if err != nil {
				return err
			}
			return a.call(cmd, func(ctx context.Context, c *client) error {
				r, err := c.tasks.SetTaskParameters(ctx,
					&facetdv1.SetTaskParametersRequest{Task: args[0], Views: views})
				if err != nil {
					return err
				}
				if cli.WantsJSON(cmd) {
					return cli.WriteJSON(cmd.OutOrStdout(), r)
				}
				return writeParameters(cmd.OutOrStdout(), args[0], r)
			})
		},
	}
}

// viewParameters reads settings, which are collected by view in the order of first mention.
func viewParameters(args []string) ([]*facetdv1.ViewParameters, error) {
	var out []*facetdv1.ViewParameters
	var problems []string
	byView := map[string]*facetdv1.ViewParameters{}
	for _, arg := range args {
		what, value, given := strings.Cut(arg, "=")
		view, field, named := strings.Cut(what, ":")
		if !named {
			view, field = "", what
		}
		v := byView[view]
		if v == nil {
			v = &facetdv1.ViewParameters{View: view}
			byView[view] = v
			out = append(out, v)
		}
		switch err := setParameter(v, field, value); {
		case !given:
			problems = append(problems, fmt.Sprintf("%s: write [VIEW:]FIELD=VALUE, such as row=12", arg))
		case err != nil:
			problems = append(problems, fmt.Sprintf("%s: %v", arg, err))
		}
	}
	if len(problems) > 0 {
		return nil, cli.Usagef("%s", strings.Join(problems, "\n"))
	}
	return out, nil
}

// setParameter puts a value into the field of a name.
func setParameter(v *facetdv1.ViewParameters, field, value string) error {
	m := v.ProtoReflect()
	fd := m.Descriptor().Fields().ByName(protoreflect.Name(field))
	if fd == nil || field == "view" {
		return fmt.Errorf("there is no field %q (one of %s)", field, strings.Join(parameterFields(), ", "))
	}
	if fd.Kind() == protoreflect.MessageKind {
		d, err := time.ParseDuration(value)
		if err != nil || d < 0 {
			return fmt.Errorf("%q is not a time such as 2.5ms", value)
		}
		m.Set(fd, protoreflect.ValueOfMessage(durationpb.New(d).ProtoReflect()))
		return nil
	}
	if fd.Kind() == protoreflect.BoolKind {
		on, err := strconv.ParseBool(value)
		if err != nil {
			return fmt.Errorf("%q is neither true nor false", value)
		}
		m.Set(fd, protoreflect.ValueOfBool(on))
		return nil
	}
	n, err := strconv.ParseInt(value, 10, 32)
	switch {
	case err != nil:
		return fmt.Errorf("%q is not a whole number", value)
	case fd.Kind() == protoreflect.Int32Kind:
		m.Set(fd, protoreflect.ValueOfInt32(int32(n)))
	case n < 0:
		return fmt.Errorf("%s cannot be below 0", field)
	default:
		m.Set(fd, protoreflect.ValueOfUint32(uint32(n)))
	}
	return nil
}

// parameterFields are the names of what can be set, in the order of the schema.
func parameterFields() []string {
	var out []string
	fields := (&facetdv1.ViewParameters{}).ProtoReflect().Descriptor().Fields()
	for i := range fields.Len() {
		if name := string(fields.Get(i).Name()); name != "view" {
			out = append(out, name)
		}
	}
	return out
}

// shown is a value for people.
func shown(value any) any {
	if d, ok := value.(protoreflect.Message); ok {
		if d, ok := d.Interface().(*durationpb.Duration); ok {
			return d.AsDuration()
		}
	}
	return value
}

// writeParameters says from which job on a task has which parameters.
func writeParameters(w io.Writer, task string, r *facetdv1.SetTaskParametersResponse) error {
	if _, err := fmt.Fprintf(w, "from job %d of %s on:\n", r.GetFirstJob(), task); err != nil {
		return err
	}
	for _, v := range r.GetViews() {
		line := "  " + v.GetView() + ":"
		for _, name := range parameterFields() {
			m := v.ProtoReflect()
			if fd := m.Descriptor().Fields().ByName(protoreflect.Name(name)); m.Has(fd) {
				line += fmt.Sprintf(" %s %v", name, shown(m.Get(fd).Interface()))
			}
		}
		if _, err := fmt.Fprintln(w, line); err != nil {
			return err
		}
	}
	return nil
}
