package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"outyard"
	"outyard/collector/broker"
	"outyard/configs"
	"outyard/store"
	"outyard/store/sqlite"
)

// newNode manages who may come to our own broker.
func newNode() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "node",
		Short: "Say which nodes may send to the broker within the daemon, and for which yards",
		Long: `A node is a box of electronics that sends readings. To come in from another
machine it needs a name and a secret, which it gives as user name and password
of MQTT; it may then write its own yards, or some of their hives, and read their
findings. What is changed here holds at once, also while a daemon runs.`,
		RunE: unknownOf("add, list, secret or remove"),
		Args: cobra.ArbitraryArgs,
	}
	cmd.AddCommand(newNodeAdd(), newNodeList(), newNodeSecret(), newNodeRemove())
	return cmd
}

const secretFileFlag = "`FILE` with a secret of your own, in its first line; - is standard input (default: one is made)"

func newNodeAdd() *cobra.Command {
	var yards, hives []string
	var secretFile string
	cmd := &cobra.Command{
		Use:   "add NAME",
		Short: "Let a node in, and show its secret, once",
		Long: `Lets a node in that may write the yards, with all their hives and their weather,
or the hives that are named. Its secret is made and printed, once: only a hash
of it is kept. A secret of your own has 12 characters at the least.`,
		Example: "  outyard node add heron-gateway --yard heron-point\n  outyard node add gate-scale --hive heron-point/h01 --secret-file secret.txt",
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			cfg, err := loadConfig(cmd)
			if err != nil {
				return err
			}
			n := outyard.Node{User: args[0], Added: time.Now().UTC().Round(time.Second)}
			if err := outyard.CheckNodeUser(n.User); err != nil {
				return usageError{err}
			}
			if n.Grounds, err = groundsOf(cfg, yards, hives); err != nil {
				return err
			}
			secret, hash, err := secretFrom(cmd, secretFile)
			if err != nil {
				return err
			}
			n.Secret = hash
			err = changeState(cmd.Context(), cfg, func(ctx context.Context, db *sqlite.Store) error { return db.AddNode(ctx, n) })
			if errors.Is(err, store.ErrExists) {
				return fmt.Errorf("%w: outyard node secret %s gives it another secret, and outyard node remove %s takes it away", err, n.User, n.User)
			}
			if err != nil {
				return err
			}
			return showSecret(cmd, n.User, secret)
		},
	}
	cmd.Flags().StringSliceVar(&yards, "yard", nil, "it may write all of the yard with this `ID`; may be given again")
	cmd.Flags().StringSliceVar(&hives, "hive", nil, "it may write this `YARD/HIVE`; may be given again")
	cmd.Flags().StringVar(&secretFile, "secret-file", "", secretFileFlag)
	return cmd
}

func groundsOf(cfg configs.Config, yards, hives []string) ([]outyard.Ground, error) {
	if len(yards)+len(hives) == 0 {
		return nil, useWrongly("say what it may write: --yard ID, or --hive YARD/HIVE")
	}
	known := placesOf(cfg)
	var all []outyard.Ground
	for _, text := range slices.Concat(yards, hives) {
		g, err := outyard.ParseGround(text)
		switch {
		case err != nil:
			return nil, usageError{err}
		case g.Hive != "" && slices.Contains(yards, text):
			return nil, useWrongly("--yard %s: want the id of a yard, or --hive %s", text, text)
		case g.Hive == "" && !slices.Contains(yards, text):
			return nil, useWrongly("--hive %s: want YARD/HIVE", text)
		case !known.has(g.Yard, ""):
			return nil, fmt.Errorf("yard %s is not in the config: add it there", g.Yard)
		case !known.has(g.Yard, g.Hive):
			return nil, fmt.Errorf("hive %s of yard %s is not in the config: add it there", g.Hive, g.Yard)
		}
		all = append(all, g)
	}
	return all, nil
}

// secretFrom takes a secret out of a file, or makes one, which it then returns
// to be shown.
func secretFrom(cmd *cobra.Command, file string) (made, hash string, err error) {
	if file == "" {
		made, hash = broker.MakeSecret()
		return made, hash, nil
	}
	in, closeIn, err := openInput(cmd, file)
	if err != nil {
		return "", "", err
	}
	defer closeIn()
	text, err := io.ReadAll(io.LimitReader(in, broker.MaxSecret+3))
	if err != nil {
		return "", "", fmt.Errorf("%s: %w", file, err)
	}
	hash, err = broker.HashSecret(strings.TrimSuffix(strings.TrimSuffix(string(text), "\n"), "\r"))
	if err != nil {
		return "", "", fmt.Errorf("%s: %w", file, err)
	}
	return "", hash, nil
}

// showSecret prints a secret that was made, alone, for whoever puts it into a
// file; what it is goes beside it.
func showSecret(cmd *cobra.Command, user, secret string) error {
	if secret == "" {
		_, err := fmt.Fprintf(cmd.OutOrStdout(), "node %s may come in with its secret\n", user)
		return err
	}
	fmt.Fprintf(cmd.ErrOrStderr(), "node %s may come in with this secret, which is not shown again:\n", user)
	_, err := fmt.Fprintln(cmd.OutOrStdout(), secret)
	return err
}

func newNodeList() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "list",
		Short: "List the nodes, and what each may write",
		Args:  cobra.NoArgs,
	}
	format := chooseFormat(cmd)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		nodes, err := knownNodes(cmd)
		if err != nil {
			return err
		}
		if len(nodes) == 0 && format.word == "table" {
			_, err := fmt.Fprintln(cmd.OutOrStdout(), "no node has credentials: outyard node add NAME --yard ID gives them")
			return err
		}
		rows := make([][]string, len(nodes))
		for i, n := range nodes {
			var may []string
			for _, g := range n.Grounds {
				may = append(may, g.String())
			}
			rows[i] = []string{n.User, strings.Join(may, " "), instant(n.Added)}
		}
		return show(cmd.OutOrStdout(), format, []string{"node", "may_write", "added"}, rows)
	}
	return cmd
}

// knownNodes are none where there is no store yet.
func knownNodes(cmd *cobra.Command) (nodes []outyard.Node, err error) {
	err = withStore(cmd, func(ctx context.Context, _ configs.Config, db *sqlite.Store) error {
		nodes, err = db.Nodes(ctx)
		return err
	})
	if errors.Is(err, store.ErrNotFound) {
		return nil, nil
	}
	return nodes, err
}

func newNodeSecret() *cobra.Command {
	var secretFile string
	cmd := &cobra.Command{
		Use:   "secret NAME",
		Short: "Give a node another secret; the old one is good for nothing from then on",
		Args:  cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			cfg, err := loadConfig(cmd)
			if err != nil {
				return err
			}
			secret, hash, err := secretFrom(cmd, secretFile)
			if err != nil {
				return err
			}
			err = changeState(cmd.Context(), cfg, func(ctx context.Context, db *sqlite.Store) error { return db.SetNodeSecret(ctx, args[0], hash) })
			if err != nil {
				return err
			}
			return showSecret(cmd, args[0], secret)
		},
	}
	cmd.Flags().StringVar(&secretFile, "secret-file", "", secretFileFlag)
	return cmd
}

func newNodeRemove() *cobra.Command {
	return &cobra.Command{
		Use:   "remove NAME",
		Short: "Let a node in no more, and send it away if it is there; its readings stay",
		Args:  cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			cfg, err := loadConfig(cmd)
			if err != nil {
				return err
			}
			err = changeState(cmd.Context(), cfg, func(ctx context.Context, db *sqlite.Store) error { return db.RemoveNode(ctx, args[0]) })
			if err != nil {
				return err
			}
			_, err = fmt.Fprintf(cmd.OutOrStdout(), "node %s may come in no more\n", args[0])
			return err
		},
	}
}

// changeState makes a small change to who may come in, beside a daemon if there is
// one.
func changeState(ctx context.Context, cfg configs.Config, change func(context.Context, *sqlite.Store) error) (err error) {
	if err := asOwner(cfg.Data); err != nil {
		return err
	}
	db, err := sqlite.OpenBeside(ctx, cfg.Data)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	return change(ctx, db)
}
