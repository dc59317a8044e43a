// pipebeat job read: what was found at the engine, into the job.
#include <fmt/format.h>

#include <algorithm>
#include <chrono>
#include <map>
#include <memory>
#include <string>
#include <vector>

#include "cli/job_commands.hpp"
#include "job/store.hpp"
#include "show/job.hpp"
#include "show/paragraphs.hpp"
#include "show/words.hpp"

namespace pipebeat::cli {

namespace {

struct ReadOptions {
  std::string folder;
  int cylinder = 0;
  std::map<std::string, std::vector<std::string>, std::less<>> given;  ///< by reading kind
  std::string followed;
  std::string date;
  std::string done;
  std::string note;
  int correct = 0;
  int withdraw = 0;
};

std::string option_name(std::string_view kind) {
  std::string option = "--" + std::string{kind};
  std::replace(option.begin(), option.end(), '_', '-');
  return option;
}

/// "2026-11-24" or "2026-11-24T09:30" as the job file writes it.
Result<std::string> date_of(const std::string& text) {
  if (text.empty()) return text;
  constexpr std::string_view pattern = "0000-00-00T00:00";
  std::string full = text.size() == 10 ? text + "T00:00" : text;
  bool good = full.size() == pattern.size();
  for (std::size_t i = 0; good && i < pattern.size(); ++i) {
    good = pattern[i] == '0' ? full[i] >= '0' && full[i] <= '9' : full[i] == pattern[i];
  }
  if (good) {
    const auto number = [&](std::size_t at, std::size_t digits) { return std::stoi(full.substr(at, digits)); };
    const std::chrono::year_month_day date{std::chrono::year{number(0, 4)},
                                           std::chrono::month{static_cast<unsigned>(number(5, 2))},
                                           std::chrono::day{static_cast<unsigned>(number(8, 2))}};
    good = date.ok() && number(11, 2) < 24 && number(14, 2) < 60;
  }
  if (!good) {
    return fail(ErrorCode::bad_argument, fmt::format("--date {}: not a date", text),
                "write it like 2026-11-24 or 2026-11-24T09:30 (UTC)");
  }
  return full + ":00Z";
}

/// The readings asked for, as entries; warnings are printed.
Result<std::vector<JobEntry>> entries_of(const ReadOptions& options, const JobCard& card) {
  const auto date = date_of(options.date);
  if (!date) return tl::unexpected(date.error());
  std::vector<JobEntry> entries;
  std::vector<std::string> warnings;
  bool swapped = false;
  for (const ReadingKind& kind : reading_kinds()) {
    const auto given = options.given.find(kind.name);
    if (given == options.given.end()) continue;
    for (const std::string& text : given->second) {
      auto checked = read_reading(kind.name, text, options.cylinder, card.bench);
      if (!checked) return tl::unexpected(checked.error());
      JobEntry entry;
      entry.kind = JobEntry::Kind::reading;
      entry.date = *date;
      entry.reading = std::move(checked->reading);
      if (kind.dimension == Dimension::swap) {
        swapped = true;
        entry.reading.followed = options.followed;
      }
      entries.push_back(std::move(entry));
      warnings.insert(warnings.end(), checked->warnings.begin(), checked->warnings.end());
    }
  }
  if (!options.followed.empty()) {
    if (options.followed != "yes" && options.followed != "no") {
      return fail(ErrorCode::bad_argument,
                  fmt::format("--followed {}: not yes or no", options.followed),
                  "say --followed yes when the miss moved with the part");
    }
    if (!swapped) {
      return fail(ErrorCode::bad_argument, "--followed: which part was swapped?",
                  "give it together with --swapped, for example --swapped \"coil:3>4\"");
    }
  }
  const auto words = [&](JobEntry::Kind kind, const std::string& text) {
    if (text.empty()) return;
    JobEntry entry;
    entry.kind = kind;
    entry.date = *date;
    entry.text = text;
    if (kind == JobEntry::Kind::work) entry.cylinder = options.cylinder;
    entries.push_back(std::move(entry));
  };
  if (options.cylinder < 0 || options.cylinder > card.bench.cylinders) {
    return fail(ErrorCode::bad_argument,
                fmt::format("--cylinder {}: there is no such cylinder", options.cylinder),
                fmt::format("the engine has cylinders 1 to {}", card.bench.cylinders));
  }
  if (options.withdraw != 0) {
    if (!entries.empty() || options.correct != 0 || !options.done.empty()) {
      return fail(ErrorCode::bad_argument, "--withdraw goes alone, or with --note",
                  "use --correct ID with the right reading to put another in its place");
    }
    JobEntry entry;
    entry.kind = JobEntry::Kind::withdrawal;
    entry.replaces = options.withdraw;
    entry.text = options.note;
    entries.push_back(std::move(entry));
  } else {
    words(JobEntry::Kind::work, options.done);
    words(JobEntry::Kind::note, options.note);
  }
  if (entries.empty()) {
    return fail(ErrorCode::bad_argument, "nothing to write down",
                "give a reading, for example --cylinder 3 --click no; see `pipebeat job read --help`");
  }
  if (options.correct != 0) {
    if (entries.size() != 1) {
      return fail(ErrorCode::bad_argument, "--correct takes one reading at a time",
                  "give one reading with it");
    }
    entries.front().replaces = options.correct;
  }
  for (const std::string& w : warnings) {
    tell("pipebeat: ", "warning: " + show::one_line(w));
  }
  return entries;
}

ExitStatus read(const ReadOptions& options) {
  const auto trouble = [](const Error& error) {
    complain(error);
    return ExitStatus::trouble;
  };
  const auto card = job::load(options.folder);
  if (!card) return trouble(card.error());
  auto entries = entries_of(options, *card);
  if (!entries) return trouble(entries.error());
  const std::size_t count = entries->size();
  const auto written = job::append(options.folder, std::move(*entries));
  if (!written) return trouble(written.error());
  for (std::size_t i = written->entries.size() - count; i < written->entries.size(); ++i) {
    const JobEntry& e = written->entries[i];
    fmt::print("{}", show::wrapped(fmt::format("{:>4}  ", e.id), show::one_line(show::sentence(e)), columns(STDOUT_FILENO)));
  }
  return ExitStatus::no_miss;
}

}  // namespace

void add_job_read(CLI::App& job, Action& chosen) {
  const auto options = std::make_shared<ReadOptions>();
  CLI::App* command = job.add_subcommand("read", "Write down what was found at the engine");
  command->add_option("DIR", options->folder, "The job folder")->type_name("")->required();
  command->add_option("--cylinder", options->cylinder, "The cylinder the readings belong to")
      ->type_name("N");
  for (const ReadingKind& kind : reading_kinds()) {
    std::string help{kind.help};
    if (!kind.words.empty()) help += fmt::format(": {}", fmt::join(kind.words, ", "));
    const std::string group = kind.per_cylinder ? "Readings of one cylinder" : "Readings of the engine";
    command->add_option(option_name(kind.name), options->given[std::string{kind.name}], help)
        ->type_name("")
        ->allow_extra_args(false)
        ->group(group);
  }
  command->add_option("--followed", options->followed, "With --swapped: did the miss move: yes, no")
      ->type_name("")
      ->group("Readings of one cylinder");
  command->add_option("--done", options->done, "What was repaired, in your words")
      ->type_name("TEXT");
  command->add_option("--note", options->note, "Anything else, in your words")->type_name("TEXT");
  command->add_option("--date", options->date, "When, if not now: 2026-11-24 or 2026-11-24T09:30")
      ->type_name("DATE");
  command->add_option("--correct", options->correct, "The entry that this reading corrects")
      ->type_name("ID");
  command->add_option("--withdraw", options->withdraw, "The entry that was wrong altogether")
      ->type_name("ID");
  command->footer(
      "Exit status: 0 written, 2 trouble (then nothing is written).\n"
      "Caution: `pipebeat job next DIR` says how each test is done safely; the "
      "maker's procedure and local codes come first.\n"
      "Example: pipebeat job read van --cylinder 3 --click yes --compression 120psi");
  command->callback([&chosen, options] { chosen = [options] { return read(*options); }; });
}

}  // namespace pipebeat::cli
