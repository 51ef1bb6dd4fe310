package main

import (
	"errors"
	"fmt"
	"io"
	"os"

	"golang.org/x/term"
)

// counted is a number with its word: 1 fault, 2 faults.
func counted(n int, word string) string {
	if n == 1 {
		return "1 " + word
	}
	return fmt.Sprintf("%d %ss", n, word)
}

// into gives write a file of that name, or the output if there is none.
func (a *app) into(name string, write func(w io.Writer) error) error {
	if name == "" {
		return write(a.out)
	}
	f, err := os.Create(name)
	if err != nil {
		return err
	}
	return errors.Join(write(f), f.Close())
}

// terminal tells a terminal from a file or a pipe.
func terminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}
