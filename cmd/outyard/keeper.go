package main

import (
	"bufio"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"outyard"
	"outyard/configs"
	"outyard/store"
	"outyard/store/sqlite"
	"outyard/web"
)

// newKeeper manages who may see the pages and write to them.
func newKeeper() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "keeper",
		Short: "Say who may see the pages, and who may write to them",
		Long: `Without an account, everybody on this machine may do everything, and nobody
from elsewhere comes in. From the first account on, everybody signs in: a keeper
may do everything, a helper reads and writes the journal, a reader reads. What is
changed here holds at once, also while a daemon runs.`,
		RunE: unknownOf("add, list, password, role, remove or token"),
		Args: cobra.ArbitraryArgs,
	}
	cmd.AddCommand(newKeeperAdd(), newKeeperList(), newKeeperPassword(), newKeeperRole(), newKeeperRemove(), newKeeperToken())
	return cmd
}

// unknownOf is what a command with commands of its own says without a right
// one.
func unknownOf(known string) func(*cobra.Command, []string) error {
	return func(_ *cobra.Command, args []string) error {
		if len(args) == 0 {
			return useWrongly("name what to do: %s", known)
		}
		return useWrongly("unknown command %q: want %s", args[0], known)
	}
}

const passwordFileFlag = "`FILE` with the password, in its first line; - is standard input (default: asked for)"

func newKeeperAdd() *cobra.Command {
	var role, file string
	cmd := &cobra.Command{
		Use:     "add NAME",
		Short:   "Give somebody an account",
		Example: "  outyard keeper add maya\n  outyard keeper add tom@club --role helper --password-file tom.txt",
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			cfg, err := loadConfig(cmd)
			if err != nil {
				return err
			}
			k := outyard.Keeper{Role: outyard.Role(role), Added: time.Now().UTC()}
			if k.Name, err = outyard.KeeperName(args[0]); err != nil {
				return usageError{err}
			}
			if err := k.Role.Check(); err != nil {
				return usageError{fmt.Errorf("--role: %w", err)}
			}
			hash, err := passwordFrom(cmd, file)
			if err != nil {
				return err
			}
			err = changeState(cmd.Context(), cfg, func(ctx context.Context, db *sqlite.Store) error { return db.AddKeeper(ctx, k, hash) })
			switch {
			case errors.Is(err, store.ErrExists):
				return fmt.Errorf("%w: outyard keeper password %s gives another password, and outyard keeper role %s another role", err, k.Name, k.Name)
			case errors.Is(err, store.ErrLastKeeper):
				return fmt.Errorf("add account %s: the first account has to be that of a keeper, who may do everything: add that first", k.Name)
			case err != nil:
				return err
			}
			_, err = fmt.Fprintf(cmd.OutOrStdout(), "%s may sign in, as a %s\n", k.Name, k.Role)
			return err
		},
	}
	cmd.Flags().StringVar(&role, "role", string(outyard.RoleKeeper), "`ROLE`: keeper (everything), helper (reads, and writes the journal) or reader")
	cmd.Flags().StringVar(&file, "password-file", "", passwordFileFlag)
	return cmd
}

// passwordFrom reads a password, twice where somebody types it, and returns
// its hash. It is never an argument, which other users of the machine see.
func passwordFrom(cmd *cobra.Command, file string) (hash string, err error) {
	if in, ok := cmd.InOrStdin().(*os.File); file == "" && ok && term.IsTerminal(int(in.Fd())) {
		password, err := typed(cmd, in, "Password: ")
		if err != nil {
			return "", err
		}
		if hash, err = web.HashPassword(password); err != nil {
			return "", err
		}
		again, err := typed(cmd, in, "Once more: ")
		if err == nil && again != password {
			err = errors.New("the two are not the same: nothing was changed")
		}
		return hash, err
	}
	if file == "" {
		file = "-"
	}
	in, closeIn, err := openInput(cmd, file)
	if err != nil {
		return "", err
	}
	defer closeIn()
	const most = 4 << 10 // bytes
	line, err := bufio.NewReader(io.LimitReader(in, most)).ReadString('\n')
	if err != nil && !errors.Is(err, io.EOF) {
		return "", fmt.Errorf("%s: %w", file, err)
	}
	if hash, err = web.HashPassword(strings.TrimRight(line, "\r\n")); err != nil && file != "-" {
		err = fmt.Errorf("%s: %w", file, err)
	}
	return hash, err
}

// typed asks somebody at a terminal, who does not see what he types.
func typed(cmd *cobra.Command, in *os.File, ask string) (string, error) {
	fmt.Fprint(cmd.ErrOrStderr(), ask)
	b, err := term.ReadPassword(int(in.Fd()))
	fmt.Fprintln(cmd.ErrOrStderr())
	if err != nil {
		return "", fmt.Errorf("read the password: %w", err)
	}
	return string(b), nil
}

func newKeeperList() *cobra.Command {
	cmd := &cobra.Command{Use: "list", Short: "List the accounts", Args: cobra.NoArgs}
	format := chooseFormat(cmd)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		var all []outyard.Keeper
		err := withStore(cmd, func(ctx context.Context, _ configs.Config, db *sqlite.Store) (err error) {
			all, err = db.Keepers(ctx)
			return err
		})
		if err != nil && !errors.Is(err, store.ErrNotFound) {
			return err
		}
		if len(all) == 0 && format.word == "table" {
			_, err := fmt.Fprintln(cmd.OutOrStdout(), "there is no account: outyard keeper add NAME makes the first, and from then on everybody signs in")
			return err
		}
		rows := make([][]string, len(all))
		for i, k := range all {
			rows[i] = []string{k.Name, string(k.Role), instant(k.Added), instant(k.Seen)}
		}
		return show(cmd.OutOrStdout(), format, []string{"keeper", "role", "added", "last_seen"}, rows)
	}
	return cmd
}

func newKeeperPassword() *cobra.Command {
	var file string
	cmd := &cobra.Command{
		Use:   "password NAME",
		Short: "Give an account another password; wherever it is signed in, it is not any more",
		Args:  cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			cfg, name, err := accountOf(cmd, args[0])
			if err != nil {
				return err
			}
			hash, err := passwordFrom(cmd, file)
			if err != nil {
				return err
			}
			err = changeState(cmd.Context(), cfg, func(ctx context.Context, db *sqlite.Store) error { return db.SetPassword(ctx, name, hash) })
			if err != nil {
				return err
			}
			_, err = fmt.Fprintf(cmd.OutOrStdout(), "%s has another password, and has to sign in anew\n", name)
			return err
		},
	}
	cmd.Flags().StringVar(&file, "password-file", "", passwordFileFlag)
	return cmd
}

// accountOf reads the config, and a name in the form in which it is kept.
func accountOf(cmd *cobra.Command, typed string) (cfg configs.Config, name string, err error) {
	if cfg, err = loadConfig(cmd); err != nil {
		return cfg, "", err
	}
	if name, err = outyard.KeeperName(typed); err != nil {
		err = usageError{err}
	}
	return cfg, name, err
}

func newKeeperRole() *cobra.Command {
	return &cobra.Command{
		Use:   "role NAME ROLE",
		Short: "Give an account another role: keeper, helper or reader",
		Args:  cobra.ExactArgs(2),
		RunE: func(cmd *cobra.Command, args []string) error {
			cfg, name, err := accountOf(cmd, args[0])
			if err != nil {
				return err
			}
			role := outyard.Role(args[1])
			if err := role.Check(); err != nil {
				return usageError{err}
			}
			err = changeState(cmd.Context(), cfg, func(ctx context.Context, db *sqlite.Store) error { return db.SetRole(ctx, name, role) })
			if err != nil {
				return err
			}
			_, err = fmt.Fprintf(cmd.OutOrStdout(), "%s is a %s now\n", name, role)
			return err
		},
	}
}

func newKeeperRemove() *cobra.Command {
	return &cobra.Command{
		Use:   "remove NAME",
		Short: "Remove an account with its tokens; what it wrote stays, under its name",
		Args:  cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			cfg, name, err := accountOf(cmd, args[0])
			if err != nil {
				return err
			}
			left := false
			err = changeState(cmd.Context(), cfg, func(ctx context.Context, db *sqlite.Store) error {
				if err := db.RemoveKeeper(ctx, name); err != nil {
					return err
				}
				left, err = db.HasKeepers(ctx)
				return err
			})
			if err != nil {
				return err
			}
			text := "%s may come in no more\n"
			if !left {
				text = "%s may come in no more; that was the last account, so that everybody on this machine may now do everything\n"
			}
			_, err = fmt.Fprintf(cmd.OutOrStdout(), text, name)
			return err
		},
	}
}

func newKeeperToken() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "token",
		Short: "Make, list and take back tokens, by which programs ask in an account's place",
		RunE:  unknownOf("add, list or remove"),
		Args:  cobra.ArbitraryArgs,
	}
	cmd.AddCommand(newTokenAdd(), newTokenList(), newTokenRemove())
	return cmd
}

func newTokenAdd() *cobra.Command {
	var scope, label string
	var days int
	cmd := &cobra.Command{
		Use:     "add NAME",
		Short:   "Make a token for a program of somebody's, and show it, once",
		Long:    "Makes a token and prints it, once: only a hash of it is kept. A program sends it\nwith each request, as \"Authorization: Bearer TOKEN\".",
		Example: "  outyard keeper token add maya --for spreadsheet --scope read --days 365",
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			cfg, name, err := accountOf(cmd, args[0])
			if err != nil {
				return err
			}
			now := time.Now().UTC()
			t := store.Token{ID: strings.ToLower(rand.Text()[:8]), Keeper: outyard.Keeper{Name: name}, Label: strings.TrimSpace(label), Scope: outyard.Scope(scope), Made: now}
			const longest = 36500 // days
			switch err := t.Scope.Check(); {
			case err != nil:
				return usageError{fmt.Errorf("--scope: %w", err)}
			case t.Label == "" || len(t.Label) > 80 || strings.ContainsAny(t.Label, "\r\n\x00"):
				return useWrongly("--for: say in a few words what the token is for, in 80 characters at most")
			case days < 0 || days > longest:
				return useWrongly("--days %d: want 1 to %d, or 0 for ever", days, longest)
			case days > 0:
				t.Expires = now.AddDate(0, 0, days)
			}
			secret := rand.Text() + rand.Text() // 260 bits
			err = changeState(cmd.Context(), cfg, func(ctx context.Context, db *sqlite.Store) error { return db.AddToken(ctx, t, web.SecretHash(secret)) })
			if err != nil {
				return err
			}
			fmt.Fprintf(cmd.ErrOrStderr(), "token %s of %s, which is not shown again:\n", t.ID, name)
			_, err = fmt.Fprintln(cmd.OutOrStdout(), secret)
			return err
		},
	}
	cmd.Flags().StringVar(&label, "for", "", "what the token is for, in a few `WORDS`")
	cmd.Flags().StringVar(&scope, "scope", string(outyard.ScopeRead), "`SCOPE`: read, journal (reads, and writes the journal) or all that the account may")
	cmd.Flags().IntVar(&days, "days", 0, "how many `DAYS` it works; 0 is for ever")
	return cmd
}

func newTokenList() *cobra.Command {
	cmd := &cobra.Command{Use: "list [NAME]", Short: "List the tokens, of all accounts or of one", Args: cobra.MaximumNArgs(1)}
	format := chooseFormat(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		name := ""
		if len(args) == 1 {
			var err error
			if name, err = outyard.KeeperName(args[0]); err != nil {
				return usageError{err}
			}
		}
		var all []store.Token
		err := withStore(cmd, func(ctx context.Context, _ configs.Config, db *sqlite.Store) (err error) {
			if name != "" {
				if _, _, err := db.Keeper(ctx, name); err != nil {
					return err
				}
			}
			all, err = db.Tokens(ctx, name)
			return err
		})
		if err != nil {
			return err
		}
		if len(all) == 0 && format.word == "table" {
			_, err := fmt.Fprintln(cmd.OutOrStdout(), "there is no token: outyard keeper token add NAME makes one")
			return err
		}
		rows := make([][]string, len(all))
		for i, t := range all {
			rows[i] = []string{t.ID, t.Keeper.Name, string(t.Scope), t.Label, instant(t.Made), instant(t.Used), instant(t.Expires)}
		}
		return show(cmd.OutOrStdout(), format, []string{"token", "keeper", "scope", "for", "made", "last_used", "expires"}, rows)
	}
	return cmd
}

func newTokenRemove() *cobra.Command {
	return &cobra.Command{
		Use:   "remove TOKEN",
		Short: "Take a token back, by the id that the list gives",
		Args:  cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			cfg, err := loadConfig(cmd)
			if err != nil {
				return err
			}
			err = changeState(cmd.Context(), cfg, func(ctx context.Context, db *sqlite.Store) error { return db.RemoveToken(ctx, args[0]) })
			if err != nil {
				return err
			}
			_, err = fmt.Fprintf(cmd.OutOrStdout(), "token %s is good for nothing any more\n", args[0])
			return err
		},
	}
}
