package main

import (
	"bufio"
	"context"
	"errors"
	"io"
	"strings"
	"testing"
	"testing/synctest"

	"github.com/spf13/cobra"

	facetdv1 "facetd.example/api/facetd/v1"
)

// Interrupting ends a question of bring-up at once, and not with the next line.
func TestQuestionInterrupted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		in, end := io.Pipe() // somebody who types nothing
		cmd := &cobra.Command{}
		cmd.SetErr(io.Discard)
		g := &guide{a: &app{}, cmd: cmd, in: bufio.NewReader(in)}
		done := make(chan error, 1)
		go func() { done <- g.question(ctx, &facetdv1.BringupQuestion{Text: "Is it so?"}) }()
		synctest.Wait()
		cancel()
		synctest.Wait()
		select {
		case err := <-done:
			if !errors.Is(err, context.Canceled) {
				t.Errorf("%v", err)
			}
		default:
			t.Error("the question goes on")
		}
		_ = end.Close()
	})
}

func TestReadLine(t *testing.T) {
	in := bufio.NewReader(strings.NewReader("one\ntwo"))
	for _, want := range []string{"one\n", "two"} {
		if got, err := readLine(t.Context(), in); got != want || err != nil {
			t.Errorf("%q, %v, want %q", got, err, want)
		}
	}
	if got, err := readLine(t.Context(), in); got != "" || !errors.Is(err, io.EOF) {
		t.Errorf("%q, %v, want the end", got, err)
	}
}
