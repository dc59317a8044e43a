// Job files and tables of likelihoods: the same bytes as either, through everything that a job says.
#include <fcntl.h>
#include <unistd.h>

#include <cmath>
#include <cstdlib>
#include <string>

#include "fuzz.hpp"
#include "job/diagnose.hpp"
#include "job/store.hpp"
#include "job/table.hpp"
#include "show/job.hpp"
#include "show/sheet.hpp"

using namespace pipebeat;

namespace {

std::string folder_for_this_run() {
  std::string name = "/tmp/pipebeat-fuzz-XXXXXX";
  fuzz::check(::mkdtemp(name.data()) != nullptr, "a folder can be made");
  static std::string made;
  made = name;
  std::atexit([] {
    ::unlink((made + "/job.json").c_str());
    ::rmdir(made.c_str());
  });
  return name;
}

void put(const std::string& path, const std::uint8_t* data, std::size_t size) {
  const int file = ::open(path.c_str(), O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0600);
  fuzz::check(file >= 0 && ::write(file, data, size) == static_cast<ssize_t>(size), "the disk takes it");
  ::close(file);
}

void say(const JobCard& card, const job::Table& table) {
  const Diagnosis diagnosis = job::diagnose(card, table, card.tools);
  double sum = 0.0;
  for (const auto& cause : diagnosis.causes) {
    fuzz::check(cause.probability >= 0.0 && cause.probability <= 1.0 + 1e-9, "a probability");
    sum += cause.probability;
  }
  fuzz::check(diagnosis.causes.empty() || std::abs(sum - 1.0) < 1e-6, "probabilities add up to 1");
  static_cast<void>(show::next_json(card, diagnosis));
  static_cast<void>(show::next_text(card, diagnosis, {}));
  static_cast<void>(show::to_text(card, diagnosis, {}));
  static_cast<void>(show::to_sheet({card, {}, {{0, diagnosis}}, "2026-11-25T16:40:00Z"}));
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  static const std::string folder = folder_for_this_run();
  static const job::Table builtin =
      *job::parse_table("built in", std::string{job::builtin_table_text()});
  put(folder + "/job.json", data, size);
  const auto card = job::load(folder);
  if (card) say(*card, builtin);

  const std::string text{reinterpret_cast<const char*>(data), size};
  if (const auto table = job::parse_table("table.json", text)) {
    JobCard plain;
    plain.created = "2026-11-25T16:40:00Z";
    say(plain, *table);
  }
  return 0;
}
