package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"golang.org/x/term"

	"github.com/visitwright/visitwright/clients/cli"
)

// longestSecret bounds what is read for one passphrase, in bytes.
const longestSecret = 1024

// secrets asks for passphrases: at a terminal without showing what is typed,
// otherwise one a line from standard input.
type secrets struct {
	ctx   context.Context
	in    io.Reader
	err   io.Writer
	lines *bufio.Reader
}

// terminal is the terminal at standard input; false when there is none.
func (s *secrets) terminal() (fd int, is bool) {
	f, ok := s.in.(*os.File)
	if !ok {
		return 0, false
	}
	fd = int(f.Fd())
	return fd, term.IsTerminal(fd)
}

// ask returns what was typed.
func (s *secrets) ask(question string) (string, error) {
	if fd, is := s.terminal(); is {
		_, _ = fmt.Fprintf(s.err, "%s: ", question)
		typed, err := s.hidden(fd)
		_, _ = fmt.Fprintln(s.err)
		return typed, err
	}
	if s.in == nil {
		s.in = strings.NewReader("")
	}
	if s.lines == nil {
		s.lines = bufio.NewReader(s.in)
	}
	var line []byte
	for len(line) <= longestSecret {
		b, err := s.lines.ReadByte()
		if errors.Is(err, io.EOF) && len(line) > 0 || err == nil && b == '\n' {
			return strings.TrimSuffix(string(line), "\r"), nil
		}
		if errors.Is(err, io.EOF) {
			return "", fmt.Errorf("%w: %s: want it on standard input, one a line", cli.ErrUsage, question)
		}
		if err != nil {
			return "", err
		}
		line = append(line, b)
	}
	return "", fmt.Errorf("%w: %s: too long", cli.ErrUsage, question)
}

// hidden reads what is typed at a terminal without showing it. Whoever interrupts
// the question gets the terminal back as it was.
func (s *secrets) hidden(fd int) (string, error) {
	before, err := term.GetState(fd)
	if err != nil {
		return "", err
	}
	type answer struct {
		typed []byte
		err   error
	}
	got := make(chan answer, 1)
	go func() { // ends with the program when nothing is typed any more
		typed, err := term.ReadPassword(fd)
		got <- answer{typed, err}
	}()
	select {
	case <-s.ctx.Done():
		return "", errors.Join(s.ctx.Err(), term.Restore(fd, before))
	case a := <-got:
		return string(a.typed), a.err
	}
}
