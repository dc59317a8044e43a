"""pipebeat engines lists what --engine takes."""
import program
from program import Case, run, tone

NAMES = ("inline3 inline4 inline5 inline6 v6 v6-oddfire v8 v8-bank v8-flat v10 v12 flat4 flat6 "
         "twin360 twin270 vtwin45 single twostroke-single twostroke-twin diesel4").split()


class Engines(Case):
    def test_lists_every_layout_with_order_intervals_and_bank(self):
        out, err, status = run("engines")
        self.assertEqual((status, err), (0, ""))
        rows = {line.split()[0]: line for line in out.splitlines()[1:]}
        self.assertEqual(list(rows), NAMES)
        self.assertIn(" 1-3-4-2 ", rows["inline4"])
        self.assertIn(" 90,150,90,150,90,150 ", rows["v6-oddfire"])
        self.assertIn(" 1,2,3,4 ", rows["v8-bank"])
        self.assertIn(" 1-12-5-8-3-10-6-7-2-11-4-9 ", rows["v12"])

    def test_every_name_is_taken(self):
        wav = tone(self.folder / "a.wav", seconds=0.5)
        for name in NAMES:
            _, err, status = run("check", "--engine", name, "--json", wav)
            self.assertEqual((status, err), (3, ""), name)

    def test_takes_no_arguments(self):
        self.refused("engines", "v8")


program.main()
