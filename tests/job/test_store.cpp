// The job folder: nothing is lost, nothing damaged is overwritten.
#include <doctest/doctest.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <csignal>
#include <filesystem>
#include <fstream>
#include <random>
#include <set>
#include <sstream>

#include "cards.hpp"
#include "job/files.hpp"
#include "job/store.hpp"

using namespace pipebeat;
namespace fs = std::filesystem;

namespace {

/// A folder of its own for each test, gone afterwards.
class Folder {
 public:
  Folder() {
    std::string pattern = (fs::temp_directory_path() / "pipebeat-job-XXXXXX").string();
    REQUIRE(::mkdtemp(pattern.data()) != nullptr);
    path_ = pattern;
  }
  Folder(const Folder&) = delete;
  Folder& operator=(const Folder&) = delete;
  ~Folder() { fs::remove_all(path_); }
  [[nodiscard]] std::string job() const { return (path_ / "van").string(); }
  [[nodiscard]] std::string file() const { return (path_ / "van" / "job.json").string(); }
  [[nodiscard]] fs::path path() const { return path_; }

 private:
  fs::path path_;
};

std::string content(const std::string& path) {
  std::ifstream in{path, std::ios::binary};
  std::ostringstream out;
  out << in.rdbuf();
  return out.str();
}

void put(const std::string& path, std::string_view text) {
  std::ofstream{path, std::ios::binary} << text;
}

JobEntry click(int cylinder, std::string_view word) {
  JobEntry e;
  e.kind = JobEntry::Kind::reading;
  e.reading = read_reading("click", word, cylinder, test::four().bench)->reading;
  return e;
}

JobEntry words(JobEntry::Kind kind, std::string text) {
  JobEntry e;
  e.kind = kind;
  e.text = std::move(text);
  return e;
}

}  // namespace

TEST_CASE("a job comes back as it was written") {
  const Folder folder;
  JobCard card = test::four();
  card.engine.intervals_deg = {180, 180, 180, 180};
  card.tools = {"stethoscope"};
  card.order_stated = false;
  REQUIRE(job::create(folder.job(), card));
  JobEntry swap;
  swap.kind = JobEntry::Kind::reading;
  swap.reading = read_reading("swapped", "coil:3>4", 0, card.bench)->reading;
  swap.reading.followed = "yes";
  JobEntry pressure;
  pressure.kind = JobEntry::Kind::reading;
  pressure.reading = read_reading("compression", "92psi", 2, card.bench)->reading;
  JobEntry finding;
  finding.kind = JobEntry::Kind::finding;
  finding.command = "check";
  finding.recordings = {"recordings/a.wav"};
  finding.finding = R"({"verdict":"even","confidence":0.9})";
  JobEntry work = words(JobEntry::Kind::work, "new coil \"B\" <b> \xf0\x9f\x94\xa7");
  work.cylinder = 3;
  const auto written = job::append(
      folder.job(), {swap, pressure, finding, work, words(JobEntry::Kind::note, "wet day")});
  REQUIRE(written);
  const auto read = job::load(folder.job());
  REQUIRE(read);
  CHECK(read->vehicle == card.vehicle);
  CHECK(read->engine.order == card.engine.order);
  CHECK_FALSE(read->order_stated);
  CHECK(read->engine.intervals_deg == card.engine.intervals_deg);
  CHECK(read->rows == card.rows);
  CHECK(read->tools == card.tools);
  CHECK(read->bench.ignition == Ignition::leads);
  REQUIRE(read->entries.size() == 5);
  for (std::size_t i = 0; i < 5; ++i) CHECK(read->entries[i].id == static_cast<int>(i) + 1);
  CHECK(read->entries[0].reading.cylinder == 3);
  CHECK(read->entries[0].reading.swapped_with == 4);
  CHECK(read->entries[0].reading.followed == "yes");
  CHECK(read->entries[1].reading.value.value() == doctest::Approx(634.317644));
  CHECK(read->entries[1].reading.given == "92psi");
  CHECK(read->entries[2].finding == finding.finding);
  CHECK(read->entries[2].recordings == finding.recordings);
  CHECK(read->entries[3].text == work.text);
  CHECK(read->entries[3].cylinder == 3);
  CHECK(read->entries[4].date.size() == 20);
}

TEST_CASE("a second job in the same folder is refused, the first stays") {
  const Folder folder;
  REQUIRE(job::create(folder.job(), test::four()));
  const std::string before = content(folder.file());
  CHECK_FALSE(job::create(folder.job(), test::four()));
  CHECK(content(folder.file()) == before);
}

TEST_CASE("corrections keep the history") {
  const Folder folder;
  REQUIRE(job::create(folder.job(), test::four()));
  REQUIRE(job::append(folder.job(), {click(3, "no")}));
  JobEntry right = click(3, "yes");
  right.replaces = 1;
  const auto card = job::append(folder.job(), {right});
  REQUIRE(card);
  CHECK(card->entries.size() == 2);
  REQUIRE(card->standing().size() == 1);
  CHECK(card->standing()[0]->reading.word == "yes");
  // What no longer holds, or never was, can't be corrected.
  CHECK_FALSE(job::append(folder.job(), {right}));
  right.replaces = 99;
  CHECK_FALSE(job::append(folder.job(), {right}));
  CHECK(job::load(folder.job())->entries.size() == 2);
  // A reading can't take the place of what a listening command found, or of a note.
  JobEntry note;
  note.text = "oil changed";
  REQUIRE(job::append(folder.job(), {note}));
  right.replaces = 3;
  CHECK_FALSE(job::append(folder.job(), {right}));
  CHECK(job::load(folder.job())->entries.size() == 3);
}

TEST_CASE("a damaged file is reported with line and column, and never overwritten") {
  const Folder folder;
  REQUIRE(job::create(folder.job(), test::four()));
  REQUIRE(job::append(folder.job(), {click(3, "no")}));
  const std::string good = content(folder.file());
  struct Case {
    std::string_view from;
    std::string_view to;
    std::string_view at;  ///< text that stands at the place to be named
  };
  const Case cases[] = {
      {"\"strokes\": 4,", "\"strokes\": 4,,", ",\n    \"order\""},
      {"\"strokes\": 4", "\"strokes\": 3", "{\n    \"layout\""},
      {"\"strokes\": 4", "\"strokes\": \"four\"", "\"four\""},
      {"\"cylinders\": 4", "\"cylinders\": 400", "400"},
      {"\"fuel\": \"petrol\"", "\"fuel\": \"hope\"", "\"hope\""},
      {"\"kind\": \"reading\"", "\"kind\": \"rumour\"", "\"rumour\""},
      {"\"word\": \"no\"", "\"word\": \"nope\"", "{\n      \"id\""},
      {"\"cylinder\": 3", "\"cylinder\": 9", "9,"},
      {"\"id\": 1", "\"id\": -1", "-1,"},
      {"\"vehicle\": \"bakery van\"", "\"vehicle\": 7", "7"},
      {"\"vehicle\"", "\"wehicle\"", "{\n  \"schema\""},
      {"pipebeat.job/2", "pipebeat.joke/2", "\"pipebeat.joke/2\""},
  };
  for (const Case& c : cases) {
    CAPTURE(c.to);
    std::string text = good;
    const std::size_t found = text.find(c.from);
    REQUIRE(found != std::string::npos);
    text.replace(found, c.from.size(), c.to);
    put(folder.file(), text);
    const std::size_t at = text.find(c.at);
    REQUIRE(at != std::string::npos);
    const std::string before = text.substr(0, at);
    // A stray comma is met after its first character; the others where their value starts.
    const std::string place = std::to_string(std::count(before.begin(), before.end(), '\n') + 1) +
                              ":" + std::to_string(at - (before.rfind('\n') + 1) + 1) + ":";
    const auto card = job::load(folder.job());
    REQUIRE_FALSE(card);
    CHECK(card.error().code == ErrorCode::damaged);
    CHECK_MESSAGE(card.error().what.find("job.json:" + place) != std::string::npos,
                  card.error().what << " wanted " << place);
    CHECK_FALSE(job::append(folder.job(), {click(1, "no")}));
    CHECK(content(folder.file()) == text);
  }
}

TEST_CASE("no file, however broken, is taken for a job or crashes the reader") {
  const Folder folder;
  REQUIRE(job::create(folder.job(), test::four()));
  REQUIRE(job::append(folder.job(), {click(3, "no"), words(JobEntry::Kind::work, "new lead")}));
  const std::string good = content(folder.file());
  const std::string nest(100'000, '[');
  for (const std::string& text :
       {std::string{}, std::string{"null"}, std::string{"[]"}, std::string{"{}"}, nest,
        std::string{"{\"schema\":\"pipebeat.job/2\"}"}, std::string{"\xff\xfe{}"},
        std::string(3, '\0'), good + "x", "{\"a\":1,\"a\":2}" + good,
        std::string{"{\"schema\":\"pipebeat.job/99999999999999999999\"}"}}) {
    put(folder.file(), text);
    CHECK_FALSE(job::load(folder.job()));
  }
  // Cut off anywhere: half a file is no job.
  for (std::size_t n = 0; n + 2 < good.size(); n += 7) {
    put(folder.file(), good.substr(0, n));
    CHECK_FALSE(job::load(folder.job()));
  }
  // Bytes changed at random: read or refused, never a crash, never written.
  std::mt19937 random{20261125};
  for (int i = 0; i < 3000; ++i) {
    std::string text = good;
    for (int n = 0; n < 3; ++n) text[random() % text.size()] = static_cast<char>(random() & 0xFFU);
    put(folder.file(), text);
    const auto card = job::load(folder.job());
    if (!card) CHECK_FALSE(card.error().hint.empty());
    CHECK(content(folder.file()) == text);
  }
}

TEST_CASE("a newer schema is refused and left alone, names of others are kept") {
  const Folder folder;
  REQUIRE(job::create(folder.job(), test::four()));
  std::string text = content(folder.file());
  text.replace(text.find("pipebeat.job/2"), 14, "pipebeat.job/3");
  put(folder.file(), text);
  const auto newer = job::append(folder.job(), {click(1, "no")});
  REQUIRE_FALSE(newer);
  CHECK(newer.error().code == ErrorCode::unsupported);
  CHECK(content(folder.file()) == text);
  text.replace(text.find("pipebeat.job/3"), 14, "pipebeat.job/2");
  text.replace(text.find("\"tools\""), 0, "\"invoice\": {\"number\": 17},\n  ");
  put(folder.file(), text);
  REQUIRE(job::append(folder.job(), {click(1, "no")}));
  CHECK(content(folder.file()).find("\"number\": 17") != std::string::npos);
}

TEST_CASE("version 1 is read, and written on as version 2") {
  const Folder folder;
  fs::create_directory(folder.job());
  put(folder.file(), R"({
  "schema": "pipebeat.job/1",
  "created": "2026-11-20T08:00:00Z",
  "vehicle": "bakery van",
  "engine": {"layout": "inline4", "cylinders": 4, "order": [1, 3, 4, 2]},
  "readings": [
    {"date": "2026-11-20T09:00:00Z", "what": "click", "cylinder": 3, "word": "no"},
    {"date": "2026-11-20T11:00:00Z", "what": "compression", "cylinder": 3, "value": 900, "unit": "kPa"}
  ],
  "findings": [
    {"date": "2026-11-20T10:00:00Z", "command": "check", "finding": {"verdict": "dead_miss"}}
  ]
})");
  const auto card = job::load(folder.job());
  REQUIRE_MESSAGE(card, card.error().what);
  CHECK(card->bench.fuel == Fuel::petrol);
  REQUIRE(card->entries.size() == 3);
  CHECK(card->entries[0].reading.what == "click");
  CHECK(card->entries[1].command == "check");
  CHECK(card->entries[2].reading.value == 900.0);
  CHECK(content(folder.file()).find("pipebeat.job/1") != std::string::npos);
  const auto more = job::append(folder.job(), {click(1, "yes")});
  REQUIRE(more);
  CHECK(more->entries.size() == 4);
  CHECK(content(folder.file()).find("pipebeat.job/2") != std::string::npos);
  CHECK(job::load(folder.job())->entries.size() == 4);
}

TEST_CASE("several processes write at once and nothing is lost") {
  const Folder folder;
  REQUIRE(job::create(folder.job(), test::four()));
  constexpr int writers = 3;
  constexpr int each = 25;
  for (int w = 0; w < writers; ++w) {
    const pid_t child = ::fork();
    REQUIRE(child >= 0);
    if (child == 0) {
      bool good = true;
      for (int i = 0; i < each; ++i) {
        good = good && job::append(folder.job(),
                                   {words(JobEntry::Kind::note,
                                          std::to_string(w) + "/" + std::to_string(i))});
      }
      ::_exit(good ? 0 : 1);
    }
  }
  // Meanwhile a reader never sees half a file.
  int done = 0;
  int reads = 0;
  while (done < writers) {
    const auto card = job::load(folder.job());
    CHECK_MESSAGE(card, card.error().what);
    ++reads;
    int status = 0;
    while (::waitpid(-1, &status, WNOHANG) > 0) {
      CHECK(WIFEXITED(status));
      CHECK(WEXITSTATUS(status) == 0);
      ++done;
    }
  }
  CHECK(reads > 0);
  const auto card = job::load(folder.job());
  REQUIRE(card);
  CHECK(card->entries.size() == writers * each);
  std::set<std::string> notes;
  std::set<int> ids;
  for (const JobEntry& e : card->entries) {
    notes.insert(e.text);
    ids.insert(e.id);
  }
  CHECK(notes.size() == writers * each);
  CHECK(ids.size() == writers * each);
}

TEST_CASE("a write that fails leaves the old file and no litter") {
  const Folder folder;
  REQUIRE(job::create(folder.job(), test::four()));
  const std::string before = content(folder.file());
  // A process that may write only a few bytes stands in for a full disk.
  const pid_t child = ::fork();
  REQUIRE(child >= 0);
  if (child == 0) {
    rlimit small{100, 100};
    ::signal(SIGXFSZ, SIG_IGN);
    if (::setrlimit(RLIMIT_FSIZE, &small) != 0) ::_exit(3);
    const auto written = job::append(folder.job(), {click(1, "no")});
    ::_exit(!written && written.error().code == ErrorCode::write_failed ? 0 : 1);
  }
  int status = 0;
  REQUIRE(::waitpid(child, &status, 0) == child);
  CHECK(WIFEXITED(status));
  CHECK(WEXITSTATUS(status) == 0);
  CHECK(content(folder.file()) == before);
  const auto files = std::distance(fs::directory_iterator{folder.job()}, fs::directory_iterator{});
  CHECK(files == 1);
}

TEST_CASE("recordings are taken in once, under a name of their own") {
  const Folder folder;
  REQUIRE(job::create(folder.job(), test::four()));
  const std::string a = (folder.path() / "a.wav").string();
  put(a, "one");
  CHECK(job::keep_recording(folder.job(), a).value() == "recordings/a.wav");
  CHECK(job::keep_recording(folder.job(), a).value() == "recordings/a.wav");
  put(a, "two");
  CHECK(job::keep_recording(folder.job(), a).value() == "recordings/a-2.wav");
  CHECK(content(folder.job() + "/recordings/a.wav") == "one");
  CHECK(content(folder.job() + "/recordings/a-2.wav") == "two");
  const std::string inside = folder.job() + "/recordings/a.wav";
  CHECK(job::keep_recording(folder.job(), inside).value() == "recordings/a.wav");
}

TEST_CASE("a folder that isn't there, or is no job, says so") {
  const Folder folder;
  CHECK(job::load(folder.job()).error().code == ErrorCode::not_found);
  CHECK(job::append(folder.job(), {click(1, "no")}).error().code == ErrorCode::not_found);
  fs::create_directory(folder.job());
  CHECK(job::load(folder.job()).error().what.find("no job in it") != std::string::npos);
  fs::create_directory(folder.file());
  CHECK(job::load(folder.job()).error().code == ErrorCode::unreadable);
}
