from jinja2.runtime import LoopContext, Macro, Markup, Namespace, TemplateNotFound, TemplateReference, TemplateRuntimeError, Undefined, escape, identity, internalcode, markup_join, missing, str_join
name = 'failed.html'

def root(context, missing=missing, environment=environment):
    resolve = context.resolve_or_missing
    undefined = environment.undefined
    concat = environment.concat
    cond_expr_undefined = Undefined
    if 0: yield None
    parent_template = None
    l_0_pieces = missing
    pass
    parent_template = environment.get_template('page.html', 'failed.html')
    for name, parent_block in parent_template.blocks.items():
        context.blocks.setdefault(name, []).append(parent_block)
    l_0_pieces = context.vars['pieces'] = environment.get_template('pieces.html', 'failed.html').make_module(context.get_all(), True, {'pieces': l_0_pieces})
    context.exported_vars.discard('pieces')
    yield from parent_template.root_render_func(context)

def block_lead(context, missing=missing, environment=environment):
    resolve = context.resolve_or_missing
    undefined = environment.undefined
    concat = environment.concat
    cond_expr_undefined = Undefined
    if 0: yield None
    _block_vars = {}
    l_0_run = resolve('run')
    try:
        t_1 = environment.filters['join']
    except KeyError:
        @internalcode
        def t_1(*unused):
            raise TemplateRuntimeError("No filter named 'join' found.")
    try:
        t_2 = environment.filters['length']
    except KeyError:
        @internalcode
        def t_2(*unused):
            raise TemplateRuntimeError("No filter named 'length' found.")
    try:
        t_3 = environment.filters['plural']
    except KeyError:
        @internalcode
        def t_3(*unused):
            raise TemplateRuntimeError("No filter named 'plural' found.")
    pass
    yield '<p class="soft">'
    yield escape(environment.finalize(t_1(context.eval_ctx, environment.getattr((undefined(name='run') if l_0_run is missing else l_0_run), 'decks')[:3], ', ')))
    if (t_2(environment.getattr((undefined(name='run') if l_0_run is missing else l_0_run), 'decks')) > 3):
        pass
        yield ' and '
        yield escape(environment.finalize(t_3((t_2(environment.getattr((undefined(name='run') if l_0_run is missing else l_0_run), 'decks')) - 3), 'more deck')))
    yield '</p>'

def block_main(context, missing=missing, environment=environment):
    resolve = context.resolve_or_missing
    undefined = environment.undefined
    concat = environment.concat
    cond_expr_undefined = Undefined
    if 0: yield None
    _block_vars = {}
    l_0_pieces = resolve('pieces')
    l_0_sign = resolve('sign')
    l_0_says = resolve('says')
    l_0_run = resolve('run')
    l_0_hint = resolve('hint')
    l_0_reasons = resolve('reasons')
    l_0_columns = resolve('columns')
    l_0_cards = resolve('cards')
    try:
        t_2 = environment.filters['length']
    except KeyError:
        @internalcode
        def t_2(*unused):
            raise TemplateRuntimeError("No filter named 'length' found.")
    pass
    yield escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'verdict'), (undefined(name='sign') if l_0_sign is missing else l_0_sign), (undefined(name='says') if l_0_says is missing else l_0_says), (), 'bad', markup_join(('Nothing was delivered, and the ', ('deck is as it was.' if (t_2(environment.getattr((undefined(name='run') if l_0_run is missing else l_0_run), 'decks')) == 1) else 'decks are as they were.'), )), _block_vars=_block_vars)))
    yield '\n\n<section class="todo"><h2>What to do now</h2>\n<p>'
    yield escape(environment.finalize((undefined(name='hint') if l_0_hint is missing else l_0_hint)))
    yield '.</p>\n<ol>\n<li>Compare the cards below with the deck: are the cards wrong, or the way they are read?</li>\n<li>Cards wrong: repair the deck, or take another copy of it, and run it again.</li>\n<li>Reading wrong: correct the medium, the code or the layout in <code>'
    yield escape(environment.finalize(environment.getattr((undefined(name='run') if l_0_run is missing else l_0_run), 'job')))
    yield '</code>, and run the deck again.</li>\n<li>So many bad cards expected: set <code>most_returned = "100 %"</code> in '
    yield escape(environment.finalize(environment.getattr((undefined(name='run') if l_0_run is missing else l_0_run), 'stage')))
    yield ' of <code>'
    yield escape(environment.finalize(environment.getattr((undefined(name='run') if l_0_run is missing else l_0_run), 'job')))
    yield '</code>, and run the deck again. Bad cards then come back with their reasons, and the others are delivered.</li>\n</ol></section>\n\n'
    if (undefined(name='reasons') if l_0_reasons is missing else l_0_reasons):
        pass
        yield '<section><h2>Why cards failed, as far as the run came</h2>\n'
        yield escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'reasons'), (undefined(name='reasons') if l_0_reasons is missing else l_0_reasons), 'Why cards failed', environment.getattr((undefined(name='run') if l_0_run is missing else l_0_run), 'failed'), _block_vars=_block_vars)))
        yield '\n'
        if (undefined(name='columns') if l_0_columns is missing else l_0_columns):
            pass
            yield escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'plot'), (undefined(name='columns') if l_0_columns is missing else l_0_columns), 'Where on the card faults gather', 'columns', _block_vars=_block_vars)))
        yield '</section>\n'
    yield '\n'
    if (undefined(name='cards') if l_0_cards is missing else l_0_cards):
        pass
        yield '<section class="cards"><h2>The first failed cards</h2>\n<p>The first of each reason. Hatched columns are at fault; each number below a card leads to its reason.</p>\n'
        for l_1_card in (undefined(name='cards') if l_0_cards is missing else l_0_cards):
            _loop_vars = {}
            pass
            yield escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'card'), l_1_card, _loop_vars=_loop_vars)))
        l_1_card = missing
        yield '</section>\n'

blocks = {'lead': block_lead, 'main': block_main}
debug_info = '1=13&2=16&4=20&6=55&7=77&10=79&14=81&15=83&18=87&20=90&21=92&25=97&28=100'
