package main

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/spf13/cobra"

	"outyard"
)

// oneOf is the value of a flag that takes one of a few words. A wrong word is
// wrong use, like an unknown flag.
type oneOf struct {
	word  string
	among []string
}

// choose gives the command such a flag; the first word is the default.
func choose(cmd *cobra.Command, name, usage string, among ...string) *oneOf {
	o := &oneOf{among[0], among}
	cmd.Flags().Var(o, name, usage)
	return o
}

// chooseFormat is the --format of the commands that print.
func chooseFormat(cmd *cobra.Command) *oneOf {
	return choose(cmd, "format", "how to print", "table", "json", "csv")
}

func (o *oneOf) String() string { return o.word }

// Type is what help shows in place of a value.
func (o *oneOf) Type() string { return strings.Join(o.among, "|") }

func (o *oneOf) Set(s string) error {
	if !slices.Contains(o.among, s) {
		return fmt.Errorf("want %s", strings.Join(o.among, ", "))
	}
	o.word = s
	return nil
}

// numeric says that a column holds numbers: in JSON they are numbers, or null
// where nothing is known. An id that looks like a number stays text.
func numeric(column string) bool {
	for q := range outyard.NumQuantities {
		if column == q.Info().Column {
			return true
		}
	}
	return slices.Contains([]string{"hives", "days", "kg_per_day", "low", "high", "kg_per_trip_minute", "total_kg",
		"zero_raw", "per_kg_raw", "per_degree_kg", "usual_kg", "error_kg", "kg", "bytes", "schema"}, column)
}

// show prints rows under a header. In JSON each row is an object.
func show(w io.Writer, format *oneOf, header []string, rows [][]string) error {
	switch format.word {
	case "csv":
		out := csv.NewWriter(w)
		if err := out.WriteAll(slices.Concat([][]string{header}, rows)); err != nil {
			return err
		}
		return out.Error()
	case "json":
		return showJSON(w, header, rows)
	}
	return showTable(w, header, rows)
}

func showJSON(w io.Writer, header []string, rows [][]string) error {
	var b bytes.Buffer
	quote := func(s string) {
		text, _ := json.Marshal(s) // text always can be
		b.Write(text)
	}
	b.WriteString("[")
	for i, row := range rows {
		if i > 0 {
			b.WriteString(",")
		}
		b.WriteString("\n  {")
		for j, cell := range row {
			if j > 0 {
				b.WriteString(", ")
			}
			quote(header[j])
			b.WriteString(": ")
			switch _, err := strconv.ParseFloat(cell, 64); {
			case !numeric(header[j]):
				quote(cell)
			case cell == "":
				b.WriteString("null")
			case err != nil:
				quote(cell)
			default:
				b.WriteString(cell)
			}
		}
		b.WriteString("}")
	}
	if len(rows) > 0 {
		b.WriteString("\n")
	}
	b.WriteString("]\n")
	_, err := w.Write(b.Bytes())
	return err
}

func showTable(w io.Writer, header []string, rows [][]string) error {
	top := make([]string, len(header))
	for i, h := range header {
		top[i] = strings.ToUpper(h)
	}
	all := [][]string{top}
	for _, row := range rows {
		plain := make([]string, len(row))
		for i, cell := range row {
			plain[i] = strings.Map(oneLine, cell)
		}
		all = append(all, plain)
	}
	widths := make([]int, len(header))
	for _, row := range all {
		for i, cell := range row {
			widths[i] = max(widths[i], utf8.RuneCountInString(cell))
		}
	}
	var b strings.Builder
	for _, row := range all {
		for i, cell := range row {
			b.WriteString(cell)
			if i < len(row)-1 {
				b.WriteString(strings.Repeat(" ", widths[i]-utf8.RuneCountInString(cell)+2))
			}
		}
		b.WriteString("\n")
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// oneLine keeps a note of several lines, or one with codes for the terminal in
// it, from breaking a table.
func oneLine(c rune) rune {
	if unicode.IsControl(c) {
		return ' '
	}
	return c
}
