// pipebeat compare: before against after a repair.
#include "pipebeat/compare.hpp"

#include <fmt/format.h>
#include <unistd.h>

#include <memory>
#include <string>
#include <vector>

#include "cli/command.hpp"
#include "cli/engine_options.hpp"
#include "cli/hear.hpp"
#include "cli/job_note.hpp"
#include "show/compare.hpp"
#include "show/words.hpp"

namespace pipebeat::cli {

namespace {

struct CompareOptions {
  std::vector<std::string> pair;
  std::vector<std::string> before;
  std::vector<std::string> after;
  EngineOptions engine;
  std::optional<int> channel;
  bool json = false;
};

/// The recordings of one side, heard.
Result<std::vector<ComparedRecording>> listen_to(const std::vector<std::string>& paths, const Engine& engine,
                                       const HearOptions& options) {
  std::vector<ComparedRecording> recordings;
  for (const std::string& path : paths) {
    auto heard = hear(path, engine, options);
    if (!heard) return tl::unexpected(heard.error());
    recordings.push_back(as_compared(heard->listener));
  }
  return recordings;
}

/// It is one engine: a recording whose speed the other side puts in doubt is heard again near that.
Result<void> hear_alike(std::vector<ComparedRecording>& side, const std::vector<std::string>& paths,
                        const std::vector<ComparedRecording>& other, const Engine& engine, const HearOptions& options) {
  if (options.listener.speed_guess) return {};
  for (std::size_t i = 0; i < side.size(); ++i) {
    const auto near = speed_of_the_other(side[i].finding, other.front().finding);
    if (!near || paths[i] == "-") continue;
    const auto again = hear_near(paths[i], engine, options, *near);
    if (!again) return tl::unexpected(again.error());
    hear_instead(side[i], as_compared(again->listener));
  }
  return {};
}

std::vector<show::Report> reports(const std::vector<std::string>& paths, const Engine& engine,
                                  const std::vector<ComparedRecording>& heard) {
  std::vector<show::Report> out;
  for (std::size_t i = 0; i < paths.size(); ++i) out.push_back({paths[i], engine, heard[i].finding});
  return out;
}

ExitStatus run(const CompareOptions& given) {
  CompareOptions options = given;
  if (options.pair.size() == 2 && options.before.empty() && options.after.empty()) {
    options.before = {options.pair[0]};
    options.after = {options.pair[1]};
  } else if (!options.pair.empty() || options.before.empty() || options.after.empty()) {
    complain({ErrorCode::bad_argument, "compare needs one recording from before and one from after",
              "give two recordings, or --before A... --after B..."});
    return ExitStatus::trouble;
  }
  const auto engine = options.engine.engine();
  const auto how = hear_options(options.engine, options.channel);
  if (!engine || !how) {
    complain(engine ? how.error() : engine.error());
    return ExitStatus::trouble;
  }
  tell_assumed_order(options.engine, *engine);
  auto before = listen_to(options.before, *engine, *how);
  auto after = before ? listen_to(options.after, *engine, *how) : before;
  if (!before || !after) {
    complain(before ? after.error() : before.error());
    return ExitStatus::trouble;
  }
  for (const auto& alike : {hear_alike(*before, options.before, *after, *engine, *how),
                            hear_alike(*after, options.after, *before, *engine, *how)}) {
    if (alike) continue;
    complain(alike.error());
    return ExitStatus::trouble;
  }
  const Comparison comparison = compare(*engine, *before, *after);
  const show::CompareReport report{comparison, reports(options.before, *engine, *before),
                                   reports(options.after, *engine, *after)};
  const std::string json = show::to_json(report);
  fmt::print("{}", options.json
                       ? json + '\n'
                       : show::to_text(report, text_options()));
  std::vector<std::string> recordings = options.before;
  recordings.insert(recordings.end(), options.after.begin(), options.after.end());
  if (!is_one_recording(comparison)) {
    if (!note_in_job(options.engine.job, "compare", recordings, json, !options.json)) return ExitStatus::trouble;
  } else if (!options.engine.job.empty()) {
    // The job would take the old recording for how the engine sounds now.
    tell("Note: ", "not kept in the job, as before and after are one recording.");
  }
  if (comparison.change == Change::cannot_compare) return ExitStatus::unclear;
  return comparison.miss_after ? ExitStatus::miss : ExitStatus::no_miss;
}

}  // namespace

void add_compare(CLI::App& program, Action& chosen) {
  const auto options = std::make_shared<CompareOptions>();
  CLI::App* command =
      program.add_subcommand("compare", "Before against after a repair: is the miss gone");
  command->add_option("BEFORE AFTER", options->pair, "Two recordings of the same engine")
      ->type_name("");
  command->add_option("--before", options->before, "Recordings from before the repair")
      ->type_name("REC...");
  command->add_option("--after", options->after, "Recordings from after it")->type_name("REC...");
  options->engine.add_to(*command);
  command->add_option("--channel", options->channel,
                      "Channel to listen to, from 1; default the one with the most beat");
  command->add_flag("--json", options->json, "One JSON object");
  command->footer(
      std::string{show::recording_caution()} +
      "\n\nExit status: 0 no miss after, 1 a miss after, 2 trouble, 3 cannot compare.\n"
      "Example: pipebeat compare --cylinders 4 before.wav after.wav");
  command->callback([&chosen, options] { chosen = [options] { return run(*options); }; });
}

}  // namespace pipebeat::cli
