package cli

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"

	"github.com/spf13/cobra"

	"pinchrod/store/journal"
	"pinchrod/store/picture"
	"pinchrod/survey"
	"pinchrod/survey/photo"
	"pinchrod/survey/report"
)

func newPicture(e *Env, b *bookFlag) *cobra.Command {
	c := &cobra.Command{
		Use:   "picture",
		Short: "keep pictures of the stair with its readings",
		Long: `Picture keeps photographs beside the book, byte for byte, and notes in the book
what each one shows. They travel to the hub after the readings. Where a picture
was taken on earth is struck out of it first, unless that is asked for.`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(newPictureAdd(e, b), newPictureList(e, b), newPictureSave(e, b))
	for _, sub := range c.Commands() {
		sub.Args = usage(sub.Args)
	}
	return c
}

type pictureAddOptions struct {
	env                                *Env
	book                               *bookFlag
	job, of, where, what, at, note, by string
	keepPosition                       bool
	files                              []string
}

func newPictureAdd(e *Env, b *bookFlag) *cobra.Command {
	o := &pictureAddOptions{env: e, book: b}
	c := &cobra.Command{
		Use:   "add FILE... --job NAME (--of ID | --where WHERE)",
		Short: "attach pictures to a reading, or to a flight, bay or step",
		Args:  cobra.MinimumNArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			o.files = args
			return o.run()
		},
	}
	jobFlag(c, &o.job)
	f := c.Flags()
	f.StringVar(&o.of, "of", "", "the reading it belongs to, as in the first column of book")
	f.StringVar(&o.where, "where", "", "the flight or bay it shows, such as F1 or F1/left")
	f.StringVar(&o.what, "what", "", "what it shows there, such as gap")
	f.StringVar(&o.at, "at", "", "the step, or the station")
	f.StringVar(&o.note, "note", "", "a note")
	f.StringVar(&o.by, "by", "", "who took it")
	f.BoolVar(&o.keepPosition, "keep-position", false, "leave in it where on earth it was taken")
	return c
}

func (o *pictureAddOptions) run() error {
	p, err := o.describe()
	if err != nil {
		return fmt.Errorf("%w: %w", errUsage, err)
	}
	d, err := o.env.openDesk(o.book, o.job)
	if err != nil {
		return err
	}
	if o.of != "" {
		entry, err := d.book.Find(o.of)
		if err != nil {
			return err
		}
		r := entry.Reading
		p.Where, p.What, p.At, p.Reading = r.Where, r.What, r.At, entry.Ref
	}
	folder, err := o.book.pictures()
	if err != nil {
		return err
	}
	for _, name := range o.files {
		if err := o.add(d, folder, name, p); err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
	}
	return nil
}

// describe reads what the flags say of the pictures.
func (o *pictureAddOptions) describe() (p survey.Picture, err error) {
	if (o.of == "") == (o.where == "") {
		return p, errors.New("say with --of which reading the picture belongs to, or with --where what it shows")
	}
	if p.Note, err = survey.ParseNote(o.note); err != nil {
		return p, err
	}
	if p.By, err = survey.ParseWord(o.by); err != nil {
		return p, err
	}
	if o.of != "" {
		return p, nil
	}
	if p.Where, err = survey.ParsePlace(o.where); err != nil {
		return p, err
	}
	p.What = survey.What(o.what)
	p.At, err = survey.ParsePictureAt(p.What, o.at)
	return p, err
}

// add puts one picture in the folder first, and then in the book: a page never
// names a picture that was not there.
func (o *pictureAddOptions) add(d *desk, folder *picture.Folder, name string, p survey.Picture) error {
	b, err := readPicture(name)
	if err != nil {
		return err
	}
	facts, err := photo.Info(b)
	if err != nil {
		return fmt.Errorf("%w: %w", errUsage, err)
	}
	told := ""
	if !o.keepPosition {
		var had bool
		if b, had, err = photo.Strip(b); err != nil {
			return fmt.Errorf("%w: %w; --keep-position takes it as it is", errUsage, err)
		}
		if had {
			told = "; where on earth it was taken is left out"
		}
	}
	sum, size, err := folder.Put(bytes.NewReader(b), picture.MaxSize)
	if err != nil {
		return err
	}
	p.Sum, p.Size, p.Type, p.When = sum, size, string(facts.Type), facts.Taken
	if err := p.Check(); err != nil {
		return fmt.Errorf("%w: %w", errUsage, err)
	}
	for _, had := range d.book.Pictures() {
		if had.Stands() && had.Picture.Sum == p.Sum && had.Picture.Title() == p.Title() && had.Picture.Reading == p.Reading {
			fmt.Fprintf(o.env.Out, "%s is in the book already, as %s\n", name, had.Ref.Short())
			return nil
		}
	}
	ref, err := d.write(survey.Payload{Pictures: []survey.Picture{p}})
	if err != nil {
		return err
	}
	if err := o.book.picturesDue(); err != nil {
		return err
	}
	fmt.Fprintf(o.env.Out, "ok %s picture of %s, %d x %d, %s%s\n", ref.Short(), p.Title(), facts.Width, facts.Height, kilobytes(size), told)
	return nil
}

// readPicture reads a file that may be a picture, and no more than one may
// have.
func readPicture(name string) ([]byte, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, picture.MaxSize+1))
	if err == nil && len(b) > picture.MaxSize {
		err = fmt.Errorf("%w: larger than %d MiB; save it smaller", errUsage, picture.MaxSize>>20)
	}
	return b, err
}

func kilobytes(n int64) string { return fmt.Sprintf("%d kB", (n+999)/1000) }

type pictureListOptions struct {
	env  *Env
	book *bookFlag
	job  string
}

func newPictureList(e *Env, b *bookFlag) *cobra.Command {
	o := &pictureListOptions{env: e, book: b}
	c := &cobra.Command{
		Use:   "list --job NAME",
		Short: "list a job's pictures, and which have not arrived yet",
		Args:  cobra.NoArgs,
		RunE:  func(*cobra.Command, []string) error { return o.run() },
	}
	jobFlag(c, &o.job)
	return c
}

func (o *pictureListOptions) run() error {
	book, err := o.book.load(o.job)
	if err != nil {
		return err
	}
	folder, err := o.book.pictures()
	if err != nil {
		return err
	}
	for _, p := range book.Pictures() {
		state := ""
		if !folder.Has(p.Picture.Sum) {
			state = "; not here yet"
		}
		if len(p.Struck) > 0 {
			state += fmt.Sprintf("; struck: %s", p.Struck[0].Why)
		}
		if p.Picture.Note != "" {
			state += "; " + p.Picture.Note
		}
		of := ""
		if p.Picture.Reading != (journal.Ref{}) {
			of = " of " + p.Picture.Reading.Short()
		}
		fmt.Fprintf(o.env.Out, "%s  %s%s  %s%s\n", p.Ref.Short(), p.Picture.Title(), of, kilobytes(p.Picture.Size), state)
	}
	o.env.say("%s in job %q", report.Count(len(book.Pictures()), "picture"), book.Job.Name)
	return nil
}

type pictureSaveOptions struct {
	env         *Env
	book        *bookFlag
	job, id, to string
}

func newPictureSave(e *Env, b *bookFlag) *cobra.Command {
	o := &pictureSaveOptions{env: e, book: b}
	c := &cobra.Command{
		Use:   "save ID FILE --job NAME",
		Short: "write a picture, byte for byte, into a file of its own",
		Args:  cobra.ExactArgs(2),
		RunE: func(_ *cobra.Command, args []string) error {
			o.id, o.to = args[0], args[1]
			return o.run()
		},
	}
	jobFlag(c, &o.job)
	return c
}

func (o *pictureSaveOptions) run() (err error) {
	book, err := o.book.load(o.job)
	if err != nil {
		return err
	}
	p, err := book.FindPicture(o.id)
	if err != nil {
		return fmt.Errorf("%w: %w; picture list shows them", errUsage, err)
	}
	folder, err := o.book.pictures()
	if err != nil {
		return err
	}
	b, err := folder.Get(p.Picture.Sum)
	if errors.Is(err, picture.ErrMissing) {
		return fmt.Errorf("%w; sync brings it from the hub", err)
	}
	if err != nil {
		return err
	}
	f, err := os.OpenFile(o.to, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return fmt.Errorf("%w: %w; name a file that is not there yet", errUsage, err)
	}
	_, err = f.Write(b)
	return errors.Join(err, f.Close())
}

// picturesDue notes that the next sync has to see to the pictures.
func (b *bookFlag) picturesDue() error {
	s, err := b.open(false)
	if err != nil {
		return err
	}
	return errors.Join(s.SetMargin(map[string][]byte{marginPictures: {1}}), s.Close())
}

// pictures opens the folder beside the book.
func (b *bookFlag) pictures() (*picture.Folder, error) {
	path, err := b.file()
	if err != nil {
		return nil, err
	}
	return picture.Open(picture.Beside(path))
}
