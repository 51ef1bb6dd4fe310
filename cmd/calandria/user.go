package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"strings"
	"time"

	"golang.org/x/term"

	"calandria/cmd/table"
	"calandria/console"
)

// userCmd changes the accounts file of the console. A running program takes a
// changed file over by itself; sessions of a removed account, or one with
// another password, end.
type userCmd struct {
	Add      userAddCmd      `cmd:"" help:"Make an account, or the first one."`
	Password userPasswordCmd `cmd:"" help:"Give an account another password."`
	Role     userRoleCmd     `cmd:"" help:"Give an account another role."`
	Remove   userRemoveCmd   `cmd:"" help:"Remove an account or a token."`
	Token    userTokenCmd    `cmd:"" help:"Make a token with which a program may read pages, the API and /metrics."`
	List     userListCmd     `cmd:"" help:"List accounts and tokens."`
}

type accountsFile struct {
	File string `help:"The accounts file, as console.accounts in the plant file names it." default:"accounts.yaml" type:"path"`
}

func (f accountsFile) load(missing bool) (*console.Accounts, error) {
	if _, err := os.Stat(f.File); missing && errors.Is(err, fs.ErrNotExist) {
		return &console.Accounts{}, nil
	}
	return console.LoadAccounts(f.File)
}

type userAddCmd struct {
	accountsFile
	Name string `arg:"" help:"Name under which actions are recorded."`
	Role string `help:"viewer looks; operator acknowledges, shelves and records; supervisor takes alarms out of service too; engineer tries limits too." enum:"viewer,operator,supervisor,engineer" default:"operator"`
}

// Run makes the account; the password is asked for, or read from standard input.
func (c *userAddCmd) Run(a *app) error {
	accounts, err := c.load(true)
	if err != nil {
		return err
	}
	if _, there := accounts.Find(c.Name); there {
		return fmt.Errorf("there is an account %q already: use 'calandria user password' or 'calandria user role'", c.Name)
	}
	return c.setPassword(a, accounts, c.Name, console.Role(c.Role))
}

type userPasswordCmd struct {
	accountsFile
	Name string `arg:""`
}

// Run changes the password; sessions of the account end.
func (c *userPasswordCmd) Run(a *app) error {
	accounts, u, err := c.find(c.Name)
	if err != nil {
		return err
	}
	return c.setPassword(a, accounts, u.Name, u.Role)
}

func (f accountsFile) find(name string) (*console.Accounts, *console.Account, error) {
	accounts, err := f.load(false)
	if err != nil {
		return nil, nil, err
	}
	u, ok := accounts.Find(name)
	if !ok {
		return nil, nil, fmt.Errorf("there is no account %q in %s", name, f.File)
	}
	return accounts, u, nil
}

func (f accountsFile) setPassword(a *app, accounts *console.Accounts, name string, role console.Role) error {
	password, err := askPassword(a)
	if err == nil {
		err = accounts.Set(name, role, password)
	}
	if err != nil {
		return err
	}
	return f.save(a, accounts, "%s may sign in as %s", name, role)
}

func (f accountsFile) save(a *app, accounts *console.Accounts, done string, args ...any) error {
	if err := accounts.Save(f.File); err != nil {
		return err
	}
	fmt.Fprintf(a.out, done+"; see %s\n", append(args, f.File)...)
	return nil
}

// askPassword asks twice at a terminal, without showing it, and reads one line
// where standard input is something else.
func askPassword(a *app) (string, error) {
	if !terminal(a.in) {
		line, err := bufio.NewReader(io.LimitReader(a.in, 1024)).ReadString('\n')
		if err != nil && !errors.Is(err, io.EOF) {
			return "", fmt.Errorf("read the password: %w", err)
		}
		return strings.TrimRight(line, "\r\n"), nil
	}
	var given [2]string
	for i, ask := range []string{"Password: ", "Once more: "} {
		fmt.Fprint(a.errOut, ask)
		b, err := term.ReadPassword(int(a.in.Fd()))
		fmt.Fprintln(a.errOut)
		if err != nil {
			return "", fmt.Errorf("read the password: %w", err)
		}
		given[i] = string(b)
	}
	if given[0] != given[1] {
		return "", errors.New("the two are not the same; nothing was changed")
	}
	return given[0], nil
}

type userRoleCmd struct {
	accountsFile
	Name string `arg:""`
	Role string `arg:"" enum:"viewer,operator,supervisor,engineer" help:"viewer, operator, supervisor or engineer."`
}

// Run changes the role, which holds from the next request on.
func (c *userRoleCmd) Run(a *app) error {
	accounts, u, err := c.find(c.Name)
	if err != nil {
		return err
	}
	u.Role = console.Role(c.Role)
	return c.save(a, accounts, "%s is %s", u.Name, u.Role)
}

type userRemoveCmd struct {
	accountsFile
	Name string `arg:""`
}

// Run removes what has the name. The last account stays.
func (c *userRemoveCmd) Run(a *app) error {
	accounts, err := c.load(false)
	if err != nil {
		return err
	}
	if !accounts.Remove(c.Name) {
		return fmt.Errorf("there is no account and no token %q in %s", c.Name, c.File)
	}
	if len(accounts.Users) == 0 {
		return errors.New("that is the last account: without one nobody could sign in; take console.accounts out of the plant file instead")
	}
	return c.save(a, accounts, "%s is removed", c.Name)
}

type userTokenCmd struct {
	accountsFile
	Name  string `arg:"" help:"What uses it."`
	Until string `help:"Its last day, such as 2027-01-31." placeholder:"DAY"`
}

// Run prints the token, which is stored as a hash only.
func (c *userTokenCmd) Run(a *app) error {
	accounts, err := c.load(false)
	if err != nil {
		return err
	}
	if c.Until != "" {
		day, err := time.Parse(time.DateOnly, c.Until)
		if err != nil {
			return fmt.Errorf("--until %s: write a day like 2027-01-31", c.Until)
		}
		if day.AddDate(0, 0, 1).Before(time.Now()) {
			return fmt.Errorf("--until %s: that day has passed; the token would never be good", c.Until)
		}
	}
	text := accounts.NewToken(c.Name, c.Until)
	if err := accounts.Save(c.File); err != nil {
		return err
	}
	fmt.Fprintf(a.out, "%s\nKeep it: it is not stored. Send it as 'Authorization: Bearer ...'.\n", text)
	return nil
}

type userListCmd struct{ accountsFile }

// Run lists accounts and tokens, without hashes.
func (c *userListCmd) Run(a *app) error {
	accounts, err := c.load(false)
	if err != nil {
		return err
	}
	t := table.New("name", "role", "until")
	for _, u := range accounts.Users {
		t.Row(u.Name, string(u.Role), "")
	}
	for _, k := range accounts.Tokens {
		t.Row(k.Name, "token", k.Until)
	}
	t.Write(a.out)
	return nil
}
